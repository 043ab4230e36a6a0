#!/bin/busybox sh
# The guest's first process: puts a throw-away layer over the host's read-only /, loads the software radios,
# and runs the one script that the host left in the results folder.
/bin/busybox --install -s /bin
mount -t proc proc /proc
mount -t sysfs sys /sys
mount -t devtmpfs dev /dev
for module in virtio_pci 9pnet_virtio 9p overlay; do modprobe $module; done

mount -t tmpfs layer /layer
mkdir /layer/upper /layer/work
transport=trans=virtio,version=9p2000.L,msize=512000
mount -t 9p -o $transport,ro,cache=loose hostroot /host
mount -t overlay -o lowerdir=/host,upperdir=/layer/upper,workdir=/layer/work root /newroot
# holds time to the pace of the instructions: see pace.py
chroot /newroot /usr/bin/nice -n 19 /bin/sh -c 'while :; do :; done' &
export PACE_PID=$!
for folder in proc sys dev; do mount --move /$folder /newroot/$folder; done
mount -t tmpfs run /newroot/run
mount -t tmpfs tmp /newroot/dev/shm 2>/dev/null || { mkdir /newroot/dev/shm; mount -t tmpfs tmp /newroot/dev/shm; }
mkdir /newroot/run/results
mount -t 9p -o $transport,rw results /newroot/run/results

# cfg80211 reads /lib/firmware/regulatory.db as it loads: without it 5 GHz is closed to an access point
modprobe mac80211_hwsim radios=3
for module in ccm ctr cmac gcm bridge sch_tbf; do modprobe $module; done
mount -t debugfs debug /newroot/sys/kernel/debug

chroot /newroot /bin/sh /run/results/start.sh
echo "guest script ended with $?"
sync
poweroff -f
