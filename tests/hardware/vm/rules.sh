# SPDX-License-Identifier: Apache-2.0
# Our udev rules and hwdb on real nodes: who may open a board, under which name, and what somebody
# is told who may not. The boards are granted as docs/board-files.md says, by files with ids.
mkdir -p /etc/cranktrap/boards
sed 's/^\[board\]$/&\nids = 1209:0002/' /boards/bulk-packed-12.board >/etc/cranktrap/boards/granted-bulk.board
sed 's/^\[board\]$/&\nids = 1209:0001/' /boards/packets-8x16.board >/etc/cranktrap/boards/granted-serial.board
export CRANKTRAP_BOARDS=/etc/cranktrap/boards:/boards
cranktrap-udev rules granted-bulk granted-serial >/etc/udev/rules.d/65-cranktrap-granted.rules
cranktrap-udev hwdb granted-bulk granted-serial >/etc/udev/hwdb.d/65-cranktrap-granted.hwdb
udevadm hwdb --update 2>/dev/null
start_udev
make_bulk_board 121905 # 20000 scans/s
make_serial_board 33200 # 2000 scans/s
plug bulk
plug serial

bulk_link=/dev/cranktrap/granted-bulk-BULK01
serial_link=/dev/cranktrap/granted-serial-SER01
within 60 "$bulk_link" test -e $bulk_link
within 60 "$serial_link" test -e $serial_link
udevadm settle
for link in $bulk_link $serial_link; do
    node=$(readlink -f $link)
    [ "$(stat -c '%a %U:%G' "$node")" = "660 root:cranktrap" ] || fail "$node: $(ls -l "$node")"
done
echo "$(cd /dev/cranktrap && ls -l | sed -n 's/.* \([^ ]* -> .*\)/\1/p' | tr '\n' ' ')"
udevadm info --query property "$(readlink -f $bulk_link)" >/tmp/properties
grep -q '^ID_MODEL_FROM_DATABASE=USB bulk packets' /tmp/properties || fail "the hwdb names no model"
grep -q '^ID_MM_DEVICE_IGNORE=1' /tmp/properties || fail "modem programs would probe it"
udevadm info --query property "$(readlink -f $serial_link)" | grep -q '^ID_MM_PORT_IGNORE=1' ||
    fail "modem programs would probe the serial board"
port=$(grep -l BULK01 /sys/bus/usb/devices/*/serial)
[ "$(cat "${port%/serial}/power/control")" = on ] || fail "the board may be put to sleep"

# Somebody outside the group.
write_hookup granted-bulk 4 "rate = 20000"
start_daemon outsider
within 60 "the explanation" says "root:cranktrap, this is outsider: add outsider to group cranktrap"
cranktrap status --state $state | grep 'this is outsider'
end_daemon
rm -rf $state

# Somebody of the group, who is not root; the serial board by its link.
write_hookup granted-bulk 4 "rate = 20000"
printf '[board second]\nboard = granted-serial\ndevice = %s\n' $serial_link >>/tmp/van.hookup
printf '[channel serial]\nboard = second\ninput = 0\nrole = other\n' >>/tmp/van.hookup
start_daemon member
within 60 "both boards" says "Board logger: streaming" "Board second: streaming"
[ "$(stat -c %U /proc/$daemon)" = member ] || fail "the daemon runs as $(stat -c %U /proc/$daemon)"
echo "both boards opened by $(id member)"
unplug bulk
unplug serial
within 60 "the links to go" test ! -L $bulk_link -a ! -L $serial_link
end_daemon
