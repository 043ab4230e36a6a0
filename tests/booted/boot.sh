#!/bin/bash
# Boots a real systemd on this machine's own kernel and files, without touching either, and plays story.sh in it.
#
#     unshare --pid --mount --fork --uts --ipc --net --cgroup bash tests/booted/boot.sh RESULTS FOLDER...
#
# It runs as process 1 of its own namespaces. Its root is this machine's / under a layer in memory: whatever is written
# there is gone afterwards. RESULTS, an empty folder, carries out what was seen; FOLDERs hold the program (its virtual
# environment, its Python, its source), which may lie on other file systems than /.
set -euo pipefail
here=$(cd "$(dirname "$0")" && pwd)
results=$1
shift
root=$results/root

mount --make-rprivate /
mkdir "$results/layer" "$root"
mount -t tmpfs layer "$results/layer"
mkdir "$results/layer/upper" "$results/layer/work"
mount -t overlay -o "lowerdir=/,upperdir=$results/layer/upper,workdir=$results/layer/work" root "$root"

mount -t proc proc "$root/proc"
mount --bind "$root/proc/sys" "$root/proc/sys" # the kernel's settings are the machine's: not for this systemd
mount -o remount,ro,bind "$root/proc/sys"
mount -t sysfs -o ro sys "$root/sys"
[ -d "$root/sys/fs/cgroup" ] && mount -t cgroup2 cgroup2 "$root/sys/fs/cgroup"
mount -t tmpfs dev "$root/dev"
for device in null zero full random urandom tty; do
    touch "$root/dev/$device"
    mount --bind "/dev/$device" "$root/dev/$device"
done
mkdir "$root/dev/shm" "$root/dev/pts"
mount -t tmpfs shm "$root/dev/shm"
mount -t devpts -o newinstance,ptmxmode=0666 devpts "$root/dev/pts"
ln -s pts/ptmx "$root/dev/ptmx"
ln -s /proc/self/fd "$root/dev/fd"
for folder in run tmp home; do mount -t tmpfs -o mode=755 "$folder" "$root/$folder"; done
chmod 1777 "$root/tmp"

# the program, where it lies; its user must be able to go there
for folder in "$@"; do
    mkdir -p "$root$folder"
    mount --bind "$folder" "$root$folder"
    for ((above = 1; ; above++)); do
        folder=$(dirname "$folder")
        [ "$folder" = / ] && break
        chmod a+x "$root$folder" 2>/dev/null || true
    done
done
mkdir -p "$root/run/results" "$root/run/booted"
mount --bind "$results" "$root/run/results"
mount --bind "$here" "$root/run/booted"
mount -o remount,ro,bind "$root/run/booted"

# nothing of the machine's own services is started: the journal, a bus, and the story
rm -f "$root/etc/machine-id"
echo 5ca1ab1e5ca1ab1e5ca1ab1e5ca1ab1e >"$root/etc/machine-id"
mkdir -p "$root/run/systemd/system"
cat >"$root/run/systemd/system/story.target" <<'UNIT'
[Unit]
DefaultDependencies=no
Wants=story.service systemd-journald.service
UNIT
cat >"$root/run/systemd/system/story.service" <<UNIT
[Unit]
DefaultDependencies=no
After=systemd-journald.service
[Service]
Type=oneshot
TimeoutStartSec=180
Environment=PATH=$PATH:/usr/sbin:/sbin LINKTRIAL=$LINKTRIAL PYTHON=$PYTHON
StandardOutput=file:/run/results/story.txt
StandardError=inherit
ExecStart=/bin/bash /run/booted/story.sh
ExecStopPost=/bin/systemctl --no-block exit 0
UNIT

cd "$root"
pivot_root . mnt
umount -l /mnt
exec env -i container=linktrial-tests PATH=/usr/sbin:/usr/bin:/sbin:/bin \
    /lib/systemd/systemd --system --unit=story.target --log-target=journal --show-status=false
