# What the rig's scripts share. Sourced, never run.
# Everything heavy lies in the cache folder, outside any checkout: the image, the machine's disks, its sockets.
RIG_CACHE=${HOST_RIG_CACHE:-${XDG_CACHE_HOME:-$HOME/.cache}/watchkeeper/rig}
RIG_RUN=$RIG_CACHE/run
RIG_KEY=$RIG_CACHE/ssh/id_ed25519
RIG_PORT=${HOST_RIG_PORT:-2322}

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
    echo "$RIG_CACHE/saved/$1"
}

# The process id of the machine that this rig started, or nothing. The file is believed only while that process is one
# that was started on this run folder.
machine_pid() {
    local pid
    pid=$(cat "$RIG_RUN/qemu.pid" 2>/dev/null) || return 1
    [ -n "$pid" ] && [ -r "/proc/$pid/cmdline" ] || return 1
    tr '\0' '\n' <"/proc/$pid/cmdline" | grep -qF "$RIG_RUN/" || return 1
    echo "$pid"
}

# One connection is kept open for all commands: a new one costs the emulated machine a second or two.
SSH=(
    ssh -i "$RIG_KEY" -p "$RIG_PORT" -F /dev/null
    -o UserKnownHostsFile=/dev/null -o GlobalKnownHostsFile=/dev/null -o StrictHostKeyChecking=no
    -o LogLevel=ERROR -o BatchMode=yes -o IdentitiesOnly=yes
    -o ControlMaster=auto -o "ControlPath=$RIG_RUN/ssh.sock" -o ControlPersist=600
    -o ServerAliveInterval=15 -o ServerAliveCountMax=20
)
inside() { "${SSH[@]}" root@127.0.0.1 "$@"; }
