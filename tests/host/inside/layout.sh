#!/bin/bash
# Lays out the stores of the host gannet on the machine's empty disks. All of them come back after a restart.
#   skerry       ZFS pool, a mirror of two disks of 1 GiB: skerry/nest-cams, skerry/ringing-db
#   jetty        volume group on 2 GiB: thin pool footage (256 MiB) with volume nest-cams; thin pool books (720 MiB, the
#                smallest metadata possible) with volume ringing-db and twelve snapshots; volume guests, ext4 on
#                /srv/guests
#   /srv/hides   btrfs on 512 MiB; everything is allocated to chunks, and half of the data chunks are empty
#   md0          mirror of two disks of 96 MiB, ext4 on /srv/mirror
set -euo pipefail
disk=/dev/disk/by-id/virtio-rigdata

modprobe zfs
# zpool waits 30 s for udev to name the partitions that it makes; in a slow machine that is too short for the first try.
pool() { zpool create -f -o ashift=12 -O compression=off -O atime=off -O mountpoint=/skerry skerry mirror ${disk}0 ${disk}1; }
pool || { udevadm settle --timeout=180 && pool; }
zfs create skerry/nest-cams
zfs create skerry/ringing-db

pvcreate -qq ${disk}2
vgcreate -qq -s 1m jetty ${disk}2
lvcreate -qq -y -L 256M --chunksize 64k -Zn -T jetty/footage
lvcreate -qq -y -V 1G -T jetty/footage -n nest-cams 2>/dev/null
lvcreate -qq -y -L 720M --poolmetadatasize 2M --chunksize 64k -Zn -T jetty/books
lvcreate -qq -y -V 600M -T jetty/books -n ringing-db 2>/dev/null
dd if=/dev/zero of=/dev/jetty/ringing-db bs=1M oflag=direct status=none || true
for number in 01 02 03 04 05 06 07 08 09 10 11 12; do
    lvcreate -qq -y -s -kn -n page-$number jetty/ringing-db 2>/dev/null
done
lvcreate -qq -y -L 96M -n guests jetty
mkfs.ext4 -q /dev/jetty/guests
mkdir -p /srv/guests
mount /dev/jetty/guests /srv/guests

mkfs.btrfs -q -f -L hides ${disk}3 2>/dev/null
mkdir -p /srv/hides
mount -o commit=2 ${disk}3 /srv/hides
mkdir /srv/hides/footage /srv/hides/.snapshots
btrfs -q subvolume create /srv/hides/logs
number=0
while fallocate -l 4M /srv/hides/footage/$number 2>/dev/null; do number=$((number + 1)); done
for old in $(seq 0 2 $number); do rm -f /srv/hides/footage/$old; done
sync -f /srv/hides

# For any host: the initramfs does not know this one's name, and would start the array as a foreign one, md127.
mdadm -q --create /dev/md0 --homehost=any --run --level=1 --metadata=1.2 --raid-devices=2 ${disk}4 ${disk}5
mdadm --wait /dev/md0 2>/dev/null || true
mkfs.ext4 -q /dev/md0
mkdir -p /srv/mirror
mount /dev/md0 /srv/mirror
mdadm --detail --scan >>/etc/mdadm/mdadm.conf

cat >>/etc/fstab <<TABLE
/dev/jetty/guests /srv/guests ext4 defaults,nofail 0 2
LABEL=hides /srv/hides btrfs commit=2,nofail 0 0
/dev/md0 /srv/mirror ext4 defaults,nofail 0 2
TABLE

# A disk image, and beside it a folder for snapshots of it as files.
mkdir -p /srv/mirror/exports
qemu-img create -q -f qcow2 /srv/mirror/tide-log.qcow2 64M
