#!/bin/bash
# guest.sh NAME IMAGE...: starts a guest as the transient unit guest-NAME, with its monitor at /run/guests/NAME.qmp. Each
# image, or device, is a disk of it; it boots from the first.
set -euo pipefail
name=$1
shift
drives=()
for image in "$@"; do drives+=(-drive "file=$image,if=ide,format=raw,cache=directsync"); done
mkdir -p /run/guests
systemd-run -q --unit="guest-$name" qemu-system-x86_64 -name "guest=$name" -machine pc -accel tcg -m 32 -nodefaults \
    -display none -qmp "unix:/run/guests/$name.qmp,server=on,wait=off" "${drives[@]}"
for _ in $(seq 200); do
    [ -S "/run/guests/$name.qmp" ] && exit 0
    sleep 0.3
done
exit 1
