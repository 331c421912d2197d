# What the rig's scripts share. Sourced, never run.
# Everything large is in the cache folder, outside any checkout: the image, the machine's disks, its sockets.
# HOST_RIG_ACCEL=nspawn: the machine is a container (systemd-nspawn) over the same tree, with this host's own kernel.
RIG_CACHE=${HOST_RIG_CACHE:-${XDG_CACHE_HOME:-$HOME/.cache}/watchkeeper/rig}
RIG_KEY=$RIG_CACHE/ssh/id_ed25519
RIG_PORT=${HOST_RIG_PORT:-2322}
if [ "${HOST_RIG_ACCEL:-}" = nspawn ]; then
    RIG_KIND=container RIG_RUN=${HOST_RIG_RUN:-$RIG_CACHE/run-container} RIG_SAVED=$RIG_CACHE/saved-container
else
    RIG_KIND=machine RIG_RUN=$RIG_CACHE/run RIG_SAVED=$RIG_CACHE/saved
fi
RIG_PID_FILE=$RIG_RUN/machine.pid

say() { printf 'rig: %s\n' "$*" >&2; }
fail() {
    say "$*"
    exit 1
}

# The folder in which rig/save stores the disks of a machine, by its name.
saved_disks() {
    case $1 in
        "" | *[!a-z0-9.-]*) fail "a saved machine needs a name of a-z, 0-9, dot and hyphen, not '$1'" ;;
    esac
    echo "$RIG_SAVED/$1"
}

# The process id of the machine that this rig started, or nothing. The file is believed only while that process is one
# that was started on this run folder.
machine_pid() {
    local pid
    pid=$(cat "$RIG_PID_FILE" 2>/dev/null) || return 1
    [ -n "$pid" ] && [ -r "/proc/$pid/cmdline" ] || return 1
    tr '\0' '\n' <"/proc/$pid/cmdline" | grep -qF "$RIG_RUN/" || return 1
    echo "$pid"
}

# The process that is the container's PID 1.
container_init() {
    local pid each
    pid=$(machine_pid) || return 1
    for each in $(cat "/proc/$pid/task/$pid/children"); do
        ! grep -qE '^NSpid:.*[[:space:]]1$' "/proc/$each/status" || { echo "$each" && return; }
    done
    return 1
}

# One connection is kept open for all commands: a new one costs the emulated machine a second or two.
SSH=(
    ssh -i "$RIG_KEY" -p "$RIG_PORT" -F /dev/null
    -o UserKnownHostsFile=/dev/null -o GlobalKnownHostsFile=/dev/null -o StrictHostKeyChecking=no
    -o LogLevel=ERROR -o BatchMode=yes -o IdentitiesOnly=yes
    -o ControlMaster=auto -o "ControlPath=$RIG_RUN/ssh.sock" -o ControlPersist=600
    -o ServerAliveInterval=15 -o ServerAliveCountMax=20 -o ConnectTimeout=30
)
# What a root of the container may not do to this host.
DENIED=-sys_time,-sys_module,-sys_boot,-sys_rawio,-mknod

# inside LINE: runs a command line in the machine as root, by bash.
inside() {
    local init
    if [ $RIG_KIND = container ]; then
        init=$(container_init) || return 255
        nsenter --target "$init" --all setpriv --bounding-set=$DENIED env -i HOME=/root USER=root LOGNAME=root \
            PATH=/usr/local/sbin:/usr/local/bin:/usr/sbin:/usr/bin:/sbin:/bin LANG=C.UTF-8 bash -c 'cd; eval "$1"' rig "$*"
    else
        "${SSH[@]}" root@127.0.0.1 "$@"
    fi
}
