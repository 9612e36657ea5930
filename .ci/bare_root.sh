#!/bin/sh
# Proves the set-up on a machine that has git, make and python3 and nothing else.
#   bare_root.sh SUITE MIRROR FOLDER [OVERLAY]
# Makes a minimal Debian of SUITE (bookworm, trixie) from MIRROR in FOLDER, unless one is there; lays the files
# of the folder OVERLAY over it (what this machine needs to reach package indexes: resolv.conf, certificates,
# pip.conf ...); clones this repository into it and runs both commands there, cut off from the processes of
# this machine. Needs root and debootstrap. A run that is to start from nothing again needs a new FOLDER.
set -eu

suite=$1 mirror=$2 root=$3 overlay=${4:-}
here=$(cd "$(dirname "$0")/.." && pwd)
[ "$(id -u)" = 0 ] || { echo "This needs root." >&2; exit 1; }

[ -x "$root/usr/bin/make" ] || debootstrap --variant=minbase --include=git,make,python3 "$suite" "$root" "$mirror"
[ -z "$overlay" ] || cp -a "$overlay/." "$root/"
rm -rf "$root/srv/desk"
git clone --quiet --no-hardlinks "$here" "$root/srv/desk"

# Its own table of processes and mounts: all of it ends with the last command.
unshare --mount --pid --fork env -i PATH=/usr/sbin:/usr/bin:/sbin:/bin HOME=/root LANG=C.UTF-8 \
    COMMANDS="${COMMANDS:-make run SERVE=no && make run SERVE=no && make test}" chroot "$root" sh -euc '
        mount -t proc proc /proc
        mkdir -p /dev/shm && mount -t tmpfs tmpfs /dev/shm
        cd /srv/desk
        sh -euxc "$COMMANDS"'
