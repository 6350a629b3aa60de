# SPDX-License-Identifier: Apache-2.0
# URBs end with the statuses of a noisy cable and of a bad board: each costs what was in it, is
# counted, and the flow goes on without the board being opened anew.
start_udev
make_usbip_board bulk 121905 # 20000 scans/s
write_hookup bulk-packed-12 4 "device = VHCI01" "rate = 20000"
start_daemon
within 60 "the flow" streaming
lose_by eproto eilseq overflow stall short skip
end_daemon
grep status /tmp/board.log | sort | uniq -c
grep sent /tmp/board.log
check_record bulk
