# SPDX-License-Identifier: Apache-2.0
# A bulk board at the rate that its board file says: nothing is lost but what it skips itself.
start_udev
make_bulk_board 609524 # 100000 scans/s: 84 in each packet of 512 bytes
write_hookup bulk-packed-12 4 "device = BULK01"
plug bulk
start_daemon
within 60 "the flow" streaming
sleep 4
is scans_lost 0 || fail "lost $(status scans_lost) scans at a limited rate"
kill -USR1 $board # skips 10 packets of 84 scans
within 60 "the loss of 840 scans" is scans_lost 840
sleep 1
end_daemon
board_sent bulk
check_record bulk
