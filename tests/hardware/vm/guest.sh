# SPDX-License-Identifier: Apache-2.0
# What the tests in the virtual machine have in common.
state=/tmp/state
gadgets=/sys/kernel/config/usb_gadget

fail() {
    echo "vm: $*" >&2
    return 1
}

uptime_s() { cut -d. -f1 /proc/uptime; }

# Waits for a command to succeed: `within SECONDS WHAT COMMAND...`. Emulation on a busy machine is
# slow: the seconds are many, and pass only where something is wrong.
within() {
    until_s=$(($(uptime_s) + $1)) what=$2
    shift 2
    until "$@" >/dev/null 2>&1; do
        [ "$(uptime_s)" -le $until_s ] || fail "waited in vain for $what" || return 1
        usleep 100000
    done
}

# ---- the boards ----

start_udev() {
    /lib/systemd/systemd-udevd --daemon 2>/dev/null
    udevadm settle
}

# A gadget of our own: `make_gadget NAME PRODUCT-ID SERIAL FUNCTION`.
make_gadget() {
    mkdir "$gadgets/$1"
    echo 0x1209 >"$gadgets/$1/idVendor"
    echo "$2" >"$gadgets/$1/idProduct"
    mkdir "$gadgets/$1/strings/0x409"
    echo "$3" >"$gadgets/$1/strings/0x409/serialnumber"
    echo counting >"$gadgets/$1/strings/0x409/product"
    mkdir "$gadgets/$1/configs/c.1" "$gadgets/$1/functions/$4"
    ln -s "$gadgets/$1/functions/$4" "$gadgets/$1/configs/c.1/"
}

# `play_function NAME PRODUCT-ID SERIAL PROGRAM [ARGUMENT]`: a gadget whose function is a program.
play_function() {
    make_gadget "$1" "$2" "$3" ffs.counting
    mkdir /tmp/ffs
    mount -t functionfs counting /tmp/ffs
    "$4" /tmp/ffs ${5:+"$5"} >/tmp/board.log 2>&1 &
    board=$!
    within 20 "the board" grep -q ready /tmp/board.log
}

# On the first controller: `make_bulk_board BYTES_PER_S`, 1209:0002, and a burst board, 1209:0004.
make_bulk_board() { play_function bulk 0x0002 BULK01 bulk_board "$1"; }
make_tmc_board() { play_function tmc 0x0004 TMC01 tmc_board; }

# `make_serial_board BYTES_PER_S`: 1209:0001, on the second controller.
make_serial_board() {
    make_gadget serial 0x0001 SER01 acm.0
    serial_board /dev/ttyGS0 "$1" >>/tmp/board.log 2>&1 &
    board=$!
}

# `make_usbip_board bulk|iso BYTES_PER_S`: 1209:0002, plugged in at once; faults are named on descriptor 3.
make_usbip_board() {
    insmod /modules/*-usbip-core.ko
    insmod /modules/*-vhci-hcd.ko
    mkfifo /tmp/faults
    usbip_board "$1" "$2" </tmp/faults >/tmp/board.log 2>&1 &
    exec 3>/tmp/faults
    within 20 "the board" grep -q ready /tmp/board.log
}

plug() {
    case $1 in
    serial) echo dummy_udc.1 >"$gadgets/serial/UDC" ;;
    *) echo dummy_udc.0 >"$gadgets/$1/UDC" ;;
    esac
}
unplug() { echo >"$gadgets/$1/UDC"; }

# `pull_and_return GADGET`, once it streams, until it streams again.
pull_and_return() {
    within 60 "the flow" streaming
    sleep 2
    unplug "$1"
    within 60 "the daemon to notice" is state waiting
    sleep 1
    plug "$1"
    within 60 "the flow after the return" streaming
    sleep 2
    is reconnects 1 || fail "$(status reconnects) reconnects"
}

# `lose_by FAULT...`: the board named on descriptor 3 does each; each is counted.
lost_more() { [ "$(status scans_lost)" -gt "$lost" ]; }
lose_by() {
    for fault in "$@"; do
        lost=$(status scans_lost)
        echo "$fault" >&3
        within 60 "the loss by $fault" lost_more
        echo "$fault: $(($(status scans_lost) - lost)) scans lost"
    done
    streaming || fail "the board is $(status state)"
    is reconnects 0 || fail "$(status reconnects) reconnects"
}

# ---- the daemon ----

# `write_hookup BOARD-FILE INPUTS LINE...`: every input has a channel; LINEs go into [board].
write_hookup() {
    {
        printf '[vehicle]\nname = a van of counts\n[storage]\nring = 200 MiB\nkeep-free = 16 MiB\n'
        printf '[board logger]\nboard = %s\n' "$1"
        inputs=$2
        shift 2
        printf '%s\n' "$@"
        for input in $(seq 0 $((inputs - 1))); do
            printf '[channel input-%s]\nboard = logger\ninput = %s\nrole = other\n' $input $input
        done
    } >/tmp/van.hookup
}

# `start_daemon [USER]`
start_daemon() {
    if [ $# -eq 0 ]; then
        cranktrapd --hookup /tmp/van.hookup --state $state >/tmp/daemon.log 2>&1 &
    else
        su -s /bin/sh "$1" -c "exec cranktrapd --hookup /tmp/van.hookup --state $state" \
            >/tmp/daemon.log 2>&1 &
    fi
    daemon=$!
    within 60 "the daemon" cranktrap status --state $state
}

# What the board says that it sent, once it has no power any more.
board_sent() {
    unplug "$1"
    within 10 "the board to end" grep sent /tmp/board.log
    grep sent /tmp/board.log
}

# Ended by signal; it must end well.
end_daemon() {
    kill $daemon
    wait $daemon || fail "cranktrapd ended with $?"
}

# `says TEXT...`: `cranktrap status` has them all.
says() {
    cranktrap status --state $state >/tmp/said || true
    for text in "$@"; do
        grep -qF "$text" /tmp/said || return 1
    done
}

# `status NAME`: a number or word of the board in `cranktrap status --json`.
status() {
    cranktrap status --json --state $state | sed 's/.*"boards"://' | tr ',{' '\n\n' |
        sed -n "s/^\"$1\":\"\{0,1\}\([^\"}]*\).*/\1/p" | head -n 1
}
is() { [ "$(status "$1")" = "$2" ]; }
streaming() { is state streaming; }

# `check_record bulk|serial|tmc`: whole files, and every scan that the board sent, or its loss.
check_record() {
    cranktrap verify $state/ring/*.ring >/tmp/verify.log || { cat /tmp/verify.log; return 1; }
    cranktrap convert $state/ring/*.ring --counts --out /tmp/record.csv >/tmp/convert.log 2>&1 ||
        { cat /tmp/convert.log; return 1; }
    grep '^# loss: ' /tmp/record.csv | grep -v 'dead time' | head -n 10 || true
    scan_check "$1" </tmp/record.csv
}
one_loss_of_unknown_size() {
    count=$(grep -c '^# loss: .* rows unknown' /tmp/record.csv)
    [ "$count" -eq 1 ] || fail "$count losses of unknown size, not 1"
}

# What the failed test leaves behind.
explain() {
    for file in /tmp/daemon.log /tmp/board.log /tmp/van.hookup; do
        [ ! -s $file ] || { echo "--- $file"; tail -n 30 $file; }
    done
    echo "--- status"
    cranktrap status --state $state 2>&1 | tail -n 30
    echo "--- kernel"
    dmesg | tail -n 15
}
