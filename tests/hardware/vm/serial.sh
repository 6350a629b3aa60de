# SPDX-License-Identifier: Apache-2.0
# A board on a serial line of its own (CDC-ACM): nothing is lost at its rate but what it skips
# itself; pulled out and put back, one loss; found by its serial number under any name.
start_udev
make_serial_board 166000 # 10000 scans/s: 10 in each packet of 166 bytes
write_hookup packets-8x16 8 "device = SER01" "rate = 10000"
plug serial
start_daemon
within 60 "the flow" streaming
sleep 3
is scans_lost 0 || fail "lost $(status scans_lost) scans at a limited rate"
kill -USR1 $board # skips 10 packets of 10 scans
within 60 "the loss of 100 scans" is scans_lost 100
pull_and_return serial
is scans_lost 100 || fail "lost $(status scans_lost) scans, not 100"
end_daemon
board_sent serial
check_record serial
one_loss_of_unknown_size
