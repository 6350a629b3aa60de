# SPDX-License-Identifier: Apache-2.0
# Boards of the kernel's own under the service; a power cut; the boot after it; an upgrade over what
# another version recorded.
. /vm/common.sh

# Boards of the kernel's own, granted as docs/board-files.md says. The serial driver comes with the
# board, as on every computer: when the service started there was none.
plug_boards() {
    mkdir -p /etc/cranktrap/boards
    boards=/usr/share/cranktrap/boards
    sed 's/^\[board\]$/&\nids = 1209:0002/' $boards/bulk-packed-12.board >/etc/cranktrap/boards/granted-bulk.board
    cranktrap-udev rules granted-bulk >/etc/udev/rules.d/65-cranktrap-granted.rules
    udevadm control --reload
    for module in /vm/modules/*; do
        case $module in
        *usbip* | *vhci* | *cdc-acm* | *cdc_acm*) ;;
        *dummy_hcd*) /vm/busybox insmod "$module" num=2 ;;
        *) /vm/busybox insmod "$module" 2>/dev/null || true ;;
        esac
    done
    mountpoint -q /sys/kernel/config || mount -t configfs none /sys/kernel/config
    make_bulk_board 121905   # 20000 scans/s
    make_serial_board 33200 # 2000 scans/s
}

boards() {
    plug_boards
    cp $hookup /tmp/sim.hookup
    write_hookup granted-bulk 4 "rate = 20000"
    printf '[board second]\nboard = packets-8x16\ndevice = /dev/ttyACM0\n' >>/tmp/van.hookup
    printf '[channel serial]\nboard = second\ninput = 0\nrole = other\n' >>/tmp/van.hookup
    cp /tmp/van.hookup $hookup
    systemctl restart cranktrapd.service
    says "Board logger: waiting" "Board second: waiting" || fail "$(cat /tmp/said)"
    plug bulk
    /vm/busybox insmod /vm/modules/*-cdc-acm.ko
    plug serial
    within 240 "both boards" says "Board logger: streaming" "Board second: streaming"
    say "two USB boards, plugged in after the start"
    cp /tmp/sim.hookup $hookup
    systemctl restart cranktrapd.service
    within 240 "the flow" streaming
}

cut_power() {
    kept=$(cranktrap keep --json --after 0s "before the cut" | sed -n 's/.*"number":\([0-9]*\).*/\1/p')
    within 240 "the snapshot" snapshot_saved "$kept"
    flows_on
    echo "vm: the power is cut"
    sleep 2
    echo b >/proc/sysrq-trigger
    sleep 60
}

boot() {
    within 300 "the service" watches
    flows_on
    for file in $state/snapshots/*.crank; do
        cranktrap verify "$file" >/tmp/verify.log || fail "$(cat /tmp/verify.log)"
    done
    within 300 "the lock" sh -c "systemd-inhibit --list --no-legend | grep -q cranktrap"
    say "started by itself, $(find $state/snapshots -name '*.crank' | wc -l) snapshots are whole; $(journalctl -b -u cranktrapd -o cat | grep damaged | head -n 1)"
}

# The first chunk of each segment, as another version would have written it (docs/format.md).
as_another_version() {
    length=$(od -An -tu4 -j8 -N4 "$1")
    { head -c 4 "$1" && printf '\377' && tail -c +6 "$1" | head -c 23; } >/tmp/head
    { cat /tmp/head && gzip -c /tmp/head | tail -c 8 | head -c 4 && tail -c +33 "$1" | head -c "$length"; } >/tmp/segment
    cat /tmp/segment >"$1"
}

another_version() {
    systemctl stop cranktrapd.service cranktrapd.socket
    for segment in $state/ring/*.ring; do as_another_version "$segment"; done
    segments=$(find $state/ring -name '*.ring' | wc -l)
    install_package /vm/cranktrap.deb --reinstall
    within 240 "the service" watches
    journal_says "ring: $segments segments were written by another version of cranktrap" ||
        fail "nothing is said of the old ring"
    [ "$(find $state/ring-set-aside -name '*.ring' | wc -l)" -eq "$segments" ] || fail "not all is set aside"
    flows_on
    say "$segments segments of another version are set aside, and it goes on"
}

if grep -q vm_start=again /proc/cmdline; then
    boot
    another_version
else
    install_package /vm/cranktrap.deb
    start
    boards
    cut_power
fi
