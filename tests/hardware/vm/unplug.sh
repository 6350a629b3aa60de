# SPDX-License-Identifier: Apache-2.0
# A bulk board is pulled out and put back: the daemon goes on with it by itself, and the record has
# one loss there, of unknown size because the board began anew.
start_udev
make_bulk_board 121905 # 20000 scans/s
write_hookup bulk-packed-12 4 "device = BULK01" "rate = 20000"
plug bulk
start_daemon
pull_and_return bulk
end_daemon
board_sent bulk
check_record bulk
one_loss_of_unknown_size
