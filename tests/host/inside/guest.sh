#!/bin/bash
# guest.sh NAME IMAGE: starts a guest as the transient unit guest-NAME, with its monitor at /run/guests/NAME.qmp.
set -euo pipefail
mkdir -p /run/guests
systemd-run -q --unit="guest-$1" qemu-system-x86_64 -name "guest=$1" -machine pc -accel tcg -m 32 -nodefaults \
    -display none -qmp "unix:/run/guests/$1.qmp,server=on,wait=off" \
    -drive "file=$2,if=ide,format=raw,cache=directsync"
for _ in $(seq 200); do
    [ -S "/run/guests/$1.qmp" ] && exit 0
    sleep 0.3
done
exit 1
