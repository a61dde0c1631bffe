#!/bin/sh
# The first process of the guest of `scripts/usb-guest`: sets the kernel up, then runs the scenes that the command line names.
# Each scene prints `SCENE name ok` or `SCENE name FAILED`; what the program said stands before it.
mount -t devtmpfs none /dev; mount -t proc none /proc; mount -t sysfs none /sys; mount -t tmpfs none /tmp; mount -t tmpfs none /run
exec </dev/console >/dev/console 2>&1
stty -opost -echo
for module in $(cat /modules/order); do insmod /modules/$module || echo "no module $module"; done
printf 'root:x:0:0::/:/bin/sh\nana:x:1000:1000::/tmp:/bin/sh\nben:x:1001:1001::/tmp:/bin/sh\ncem:x:1002:1002::/tmp:/bin/sh\n' >/etc/passwd
# ana may use what the shipped rules give, ben serial ports alone, cem nothing.
printf 'root:x:0:\ndialout:x:20:ben\nplugdev:x:46:ana\nana:x:1000:\nben:x:1001:\ncem:x:1002:\n' >/etc/group
LD_LIBRARY_PATH=/lib /lib/systemd/systemd-udevd --daemon 2>/tmp/udev.log
udev() { LD_LIBRARY_PATH=/lib udevadm "$@"; }
udev trigger; udev settle
for port in /sys/class/virtio-ports/*; do [ "$(cat $port/name)" != control ] || CONTROL=/dev/$(basename $port); done
exec 7<>$CONTROL
board() { echo "$*" >&7; read -r ANSWER <&7; }
until_true() { n=0; until eval "$1"; do n=$((n+1)); [ $n -lt 300 ] || { echo "never: $1"; return 1; }; usleep 50000; done; }

plug_in() {
  : >/tmp/port; plug usbip >/tmp/port & PLUG=$!
  until_true 'grep -q port /tmp/port' && until_true '[ -e /dev/ttyACM0 ]' && udev settle
  PORT=$(cut -d' ' -f2 /tmp/port)
}
pull_out() { plug out $PORT 2>/dev/null; wait $PLUG; until_true '[ ! -e /dev/ttyACM0 ]'; }
gone() { wait $PLUG; until_true '[ ! -e /dev/ttyACM0 ]'; }

# expect STATUS ARGUMENTS..: runs the program on the programmer; what it said is in /tmp/said.
expect() {
  want=$1; shift
  firmhand "$@" >/tmp/said 2>&1; status=$?
  echo "$ firmhand $*"; cat /tmp/said; echo "[status $status]"
  [ $status = $want ] || { echo "expected status $want"; return 1; }
}
says() { grep -q -- "$1" /tmp/said || { echo "it does not say: $1"; return 1; }; }
as() { who=$1; shift; su -s /bin/sh $who -c "FIRMHAND_BENCH=/tmp/bench-$who firmhand $*" >/tmp/said 2>&1; status=$?
  echo "$ ($who) firmhand $*"; cat /tmp/said; echo "[status $status]"; }
holds() { board sum; [ "$ANSWER" = "$(sha256sum <$1 | cut -d' ' -f1)" ] || { echo "the chip does not hold $1"; return 1; }; }
export FIRMHAND_BENCH=/tmp/bench
AT="--link board --supply 3.3 --yes --signed Ana"

# What the machine's own board holds high.
HELD='"held":["CS#","WP#","HOLD#"]'
board "wires {$HELD}"

# A FAT drive with an information file stands in for a board's boot ROM, which the emulator does not have.
scene_install() {
  info() { printf 'UF2 Bootloader v3.0\r\nModel: made up\r\nBoard-ID: %s\r\n' $1 >/mnt/INFO_UF2.TXT; }
  dd if=/dev/zero of=/tmp/drive bs=1M count=4 2>/dev/null; mkdosfs /tmp/drive >/dev/null; mkdir -p /mnt
  mount -o loop -t vfat /tmp/drive /mnt || return 1
  info RP2350
  expect 1 link install && says "says that it is .RP2350" && [ ! -e /mnt/firmhand.uf2 ] || return 1
  info RPI-RP2
  firmhand link install >/tmp/said 2>&1 & INSTALL=$!
  until_true 'grep -q "waiting for the board" /tmp/said' && cmp /mnt/firmhand.uf2 /image.uf2 || return 1
  umount /mnt; plug_in; wait $INSTALL; status=$?; cat /tmp/said
  [ $status = 0 ] && says "board@E6616408434C6A2B is a programmer now" && pull_out
}
scene_list() {
  plug_in || return 1
  expect 0 link list && says "board@E6616408434C6A2B usable" || return 1
  expect 0 ready && pull_out || return 1
  expect 3 chip identify $AT && says "not plugged in"
}
scene_identify() { plug_in && expect 0 chip identify $AT && says "id ef4014" && pull_out; }
scene_capture() { plug_in && expect 0 chip capture $AT && says "passes agree" && holds /old.bin && pull_out; }
scene_apply() {
  plug_in && expect 0 chip apply /new.bin $AT && says "0 bytes differ" && holds /new.bin &&
    expect 0 chip verify /new.bin $AT && expect 1 chip verify /old.bin $AT && expect 0 chip restore $AT && holds /old.bin && pull_out
}
scene_lines() {
  plug_in && expect 0 link check --watch --seconds 2 $AT && says SEATED && pull_out || return 1
  board "wires {$HELD,\"open\":[\"DI\"]}"
  plug_in && expect 1 link check $AT && says "RESEAT PIN 5" && pull_out || return 1
  board "wires {$HELD,\"shorted\":[[\"DI\",\"CLK\"]]}"
  plug_in && expect 1 chip identify $AT && says "pins 5 and 6 move together" && pull_out || return 1
  board "wires {$HELD}"
}
# The whole check: every contact, then a thousand times the id and twice the first 4 KiB at each clock.
scene_sweep() {
  plug_in && expect 0 link check $AT && says SEATED && says "everything agrees up to 31250 kHz" && pull_out || return 1
  [ -z "$(grep -o '[0-9]* kHz  id' /tmp/said | uniq -d)" ] || { echo "a clock stands there twice"; return 1; }
}
scene_supply() {
  plug_in && expect 1 chip identify --link board --supply 1.8 --yes && says "1.8\|1.65" || return 1
  # A level adapter is said to be there, and what is measured is another voltage.
  expect 1 chip identify --link board --supply 1.8 --drives 1.8 --yes && says "3.3" && pull_out
}
scene_switch() {
  board switch on
  plug_in && expect 0 chip identify $AT && says "id ef4014" && pull_out || return 1
  board foreign 3290
  plug_in && expect 1 chip identify $AT && says "has 3.*V already" && pull_out || return 1
  board foreign 0; board switch off
  # 5 V, which the board's inputs do not bear.
  board foreign 5000
  plug_in && expect 1 chip identify $AT && says "measured at the chip's supply" && pull_out || return 1
  board foreign 0
}
scene_cut_read() {
  board pull-in 700000
  plug_in && expect 4 chip capture $AT && gone && plug_in && expect 0 chip capture $AT && holds /old.bin && pull_out
}
scene_cut_write() {
  plug_in && expect 0 chip capture $AT && pull_out || return 1
  board once-changed 60
  plug_in && expect 4 chip apply /new.bin $AT && gone && plug_in && expect 0 chip apply /new.bin $AT && holds /new.bin &&
    expect 0 chip restore $AT && holds /old.bin && pull_out
}
scene_watch() {
  plug_in || return 1
  firmhand link check --watch --seconds 30 $AT >/tmp/said 2>&1 & WATCH=$!
  until_true 'grep -q SEATED /tmp/said' && pull_out && until_true 'grep -q UNPLUGGED /tmp/said' || return 1
  : >/tmp/said; plug_in && until_true 'grep -q SEATED /tmp/said'; ok=$?
  kill -INT $WATCH; wait $WATCH; cat /tmp/said; pull_out; return $ok
}
scene_people() {
  plug_in || return 1
  as cem chip identify $AT; [ $status = 3 ] && says "70-firmhand.rules" || return 1
  as ben link list; [ $status = 0 ] && says "its serial port" || return 1
  as ben chip identify $AT; [ $status = 0 ] && says "id ef4014" || return 1
  as ben chip capture $AT; [ $status = 0 ] && says "passes agree" || return 1
  as ana chip identify $AT; [ $status = 3 ] || return 1
  mkdir -p /etc/udev/rules.d; cp /70-firmhand.rules /etc/udev/rules.d/; udev control --reload; udev trigger; udev settle
  as ana link list; says "usable" && ! grep -q "its serial port" /tmp/said || return 1
  as ana chip identify $AT; [ $status = 0 ] && says "id ef4014" || return 1
  as cem chip identify $AT; [ $status = 3 ] || return 1
  rm /etc/udev/rules.d/70-firmhand.rules; udev control --reload; pull_out
}

for scene in $(echo $SCENES | tr , " "); do
  if scene_$scene; then echo "SCENE $scene ok"; else echo "SCENE $scene FAILED"; pull_out; fi
done
dmesg | grep -E 'BUG:|WARNING:|Oops|hung task'
echo "SCENES END"
reboot -f
