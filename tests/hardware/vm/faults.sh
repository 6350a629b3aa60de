# SPDX-License-Identifier: Apache-2.0
# URBs end with the statuses of a noisy cable and of a bad board: each costs what was in it, is
# counted, and the flow goes on without the board being opened anew.
insmod /modules/*-usbip-core.ko
insmod /modules/*-vhci-hcd.ko
start_udev
make_usbip_board 121905 # 20000 scans/s
write_hookup bulk-packed-12 4 "device = VHCI01" "rate = 20000"
start_daemon
within 60 "the flow" streaming
lost_more() { [ "$(status scans_lost)" -gt "$lost" ]; }
for fault in eproto eilseq overflow stall short skip; do
    lost=$(status scans_lost)
    echo $fault >&3
    within 60 "the loss by $fault" lost_more
    echo "$fault: $(($(status scans_lost) - lost)) scans lost"
done
streaming || fail "the board is $(status state)"
is reconnects 0 || fail "$(status reconnects) reconnects"
end_daemon
grep URB /tmp/board.log | sort | uniq -c
grep sent /tmp/board.log
check_record bulk
