#!/bin/sh
# The first process of the guest of `scripts/drive-guest`, twice: in the memory disk it finds the guest's system, which is on a stick like
# any other, and goes on from there; on that stick it runs each line that comes in by the serial port and says how it ended.
if [ -e /modules ]; then
  mount -t devtmpfs none /dev; mount -t proc none /proc; mount -t sysfs none /sys
  exec </dev/console >/dev/console 2>&1
  for module in $(cat /modules/order); do insmod /modules/$module || echo "no module $module"; done
  n=0; until mount -t ext4 /dev/sda /mnt 2>/dev/null || [ $n = 200 ]; do n=$((n+1)); usleep 50000; done
  umount /proc; umount /sys; umount /dev
  exec switch_root /mnt /init
fi
mount -t devtmpfs none /dev; mount -t proc none /proc; mount -t sysfs none /sys; mount -t tmpfs none /tmp
exec </dev/ttyS0 >/dev/ttyS0 2>&1
stty -echo -opost
# The name of the drive in the USB device with this serial number.
node() {
  for block in /sys/block/*; do
    path=$(readlink -f $block); serial=${path%%/host*}/../serial
    [ -e $serial ] && [ "$(cat $serial)" = $1 ] && [ "$(cat $block/size)" != 0 ] && basename $block && return
  done
  return 1
}
echo "@@ ready"
while read -r line; do eval "$line"; echo "@@ ended $?"; done
