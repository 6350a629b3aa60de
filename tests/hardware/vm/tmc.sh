# SPDX-License-Identifier: Apache-2.0
# A burst board of the test and measurement class, taken from the kernel's own driver for such: all
# that it took is in the record, its pauses are told and are no losses; a block that it keeps is one
# loss, of its size; pulled out and put back, one more.
start_udev
make_tmc_board
sed 's/0x82/0x81/' /boards/tmc-burst-4x16.board >/tmp/burst.board # where this controller has it
write_hookup /tmp/burst.board 4 "device = TMC01"
plug tmc
within 20 "the kernel's driver" test -e /dev/usbtmc0
start_daemon
paused() { [ "$(status pauses)" -ge 20 ]; }
within 60 "pauses" paused
[ ! -e /dev/usbtmc0 ] || fail "the kernel's driver has it still"
is scans_lost 0 || fail "lost $(status scans_lost) scans, $(status pauses) pauses"
kill -USR1 $board
within 60 "the loss of a block" is scans_lost 500
pull_and_return tmc
is scans_lost 500 || fail "lost $(status scans_lost) scans, not 500"
end_daemon
board_sent tmc
check_record tmc
one_loss_of_unknown_size
