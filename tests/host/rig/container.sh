# Sourced by rig/up: boots the machine's tree in a container, with this host's kernel. Needs root, and systemd-nspawn.
# What changes is written to the folder upper, above the tree and the layers that are listed in the file lower.
command -v systemd-nspawn >/dev/null || fail "systemd-nspawn is not installed; run: apt install systemd-container"
[ "$(id -u)" = 0 ] || fail "run it as root: it mounts the container's tree"
[ "$later_s" = 0 ] || fail "a container has this host's clock: --later needs a virtual machine"
[ -d "$RIG_CACHE/root/usr" ] || fail "there is no tree in $RIG_CACHE: run tests/host/rig/build first"
if [ -n "$from" ]; then
    [ -d "$from/upper" ] || fail "there is no saved machine in $from"
    rm -rf "$RIG_RUN"/{upper,work,lower}
    echo "$from/upper:$(cat "$from/lower")" >"$RIG_RUN/lower"
elif [ $keep = no ] || ! [ -d "$RIG_RUN/upper" ]; then
    rm -rf "$RIG_RUN"/{upper,work,lower}
    echo "$RIG_CACHE/root" >"$RIG_RUN/lower"
fi
mkdir -p "$RIG_RUN"/{upper,work,tree}
# The mount is seen by the container alone, and goes with it.
start='mount --make-rprivate / && mount -t overlay overlay -o "lowerdir=$(cat "$0/lower"),upperdir=$0/upper,workdir=$0/work" "$0/tree"
echo $$ >"$0/machine.pid"
SYSTEMD_NSPAWN_UNIFIED_HIERARCHY=1 exec nice -n "${HOST_RIG_NICE:-10}" systemd-nspawn --quiet --directory="$0/tree" --boot \
    --register=no --keep-unit --private-network --machine=gannet --console=read-only'
setsid --fork unshare --mount bash -c "$start" "$RIG_RUN" </dev/null >"$RIG_RUN/serial.log" 2>&1
until [ "$(inside 'systemctl is-active multi-user.target' 2>/dev/null)" = active ]; do
    [ $((SECONDS - began)) -lt 300 ] || { tail -20 "$RIG_RUN/serial.log" >&2; fail "it has not started after 300 s"; }
    sleep 0.3
done
say "up after $((SECONDS - began)) s, as a container (process $(machine_pid))"
