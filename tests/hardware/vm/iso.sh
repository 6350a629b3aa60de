# SPDX-License-Identifier: Apache-2.0
# An isochronous board: the bus repeats nothing, so each packet that ends with a status is lost, and
# counted. Software gadgets cannot do it; a board behind vhci can.
start_udev
make_usbip_board iso 198000 # 12000 scans/s: 12 in each packet of 198 bytes
write_hookup iso-8x16 8 "device = VHCI01"
start_daemon
within 60 "the flow" streaming
sleep 2
is scans_lost 0 || fail "lost $(status scans_lost) scans before any fault"
lose_by eproto eilseq overflow short skip
end_daemon
grep status /tmp/board.log | sort | uniq -c
grep sent /tmp/board.log
check_record serial # the same values
