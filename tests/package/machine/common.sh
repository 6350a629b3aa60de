# SPDX-License-Identifier: Apache-2.0
# What the tests with systemd have in common; on top of what all machines have.
. /vm/guest.sh
export DEBIAN_FRONTEND=noninteractive HOME=/root LC_ALL=C.UTF-8
state=/var/lib/cranktrap
socket=$state/cranktrap.sock
hookup=/etc/cranktrap/vehicle.hookup
usleep() { sleep 0.5; } # emulated, every program takes its time
serial_board() { /vm/vm_serial_board "$@"; }
bulk_board() { /vm/vm_bulk_board "$@"; }

say() { printf '%4d s  %s\n' "$(uptime_s)" "$*"; }

install_package() { # FILE [OPTION...]
    cp "$1" /var/tmp/
    package=/var/tmp/${1##*/}
    shift
    apt-get install -q -y --no-install-recommends -o Dpkg::Use-Pty=0 "$@" "$package" >/tmp/apt.log 2>&1
}
apt_does() { apt-get "$@" -y cranktrap >/tmp/apt.log 2>&1; }

unit() { systemctl show --value -p "$1" "${2:-cranktrapd.service}"; }
active() { systemctl -q is-active "$@"; }
# `journal_says TEXT`, since the computer started.
journal_says() { journalctl -b -u cranktrapd -o cat | grep -qF -- "$1"; }
# `journal_has FIELD [VALUE]`: a line with that field, as programs read it.
journal_has() { journalctl -b -u cranktrapd -o json | grep -q "\"$1\":\"${2-}"; }

# `ask PATH FILE`: over the API's socket.
ask() { curl -fsS --max-time 120 --unix-socket $socket "http://cranktrap$1" -o "$2"; }
more_scans() { [ "$(status scans)" -gt "$1" ]; }
flows_on() { within 240 "more scans" more_scans "$(($(status scans) + 500))"; }
snapshot_saved() { journal_says "snapshot $1 saved"; }

restarted() { [ "$(unit NRestarts)" -ge 1 ]; }
in_state() { [ "$(unit ActiveState)" = "$1" ]; }
watches() { in_state active && active cranktrapd.socket && streaming; }

# Every file can be read to its end; what was closed well is whole, what was killed is interrupted.
check_files() {
    for file in $state/ring/*.ring $state/snapshots/*.crank; do
        cranktrap verify "$file" >/tmp/verify.log || [ $? -eq 6 ] || { cat /tmp/verify.log; fail "$file"; }
    done
    cranktrap verify "$(newest_segment)" >/tmp/verify.log || fail "$(cat /tmp/verify.log)"
}
newest_segment() { find $state/ring -name '*.ring' | sort | tail -n 1; }
interrupted() { ! cranktrap verify "$1" >/tmp/verify.log && grep -q interrupted /tmp/verify.log; }

start() {
    cp /etc/cranktrap/sample.hookup $hookup
    systemctl enable --now cranktrapd.socket cranktrapd.service >/dev/null 2>&1
    active cranktrapd.service || fail "$(unit ActiveState)"
    [ "$(unit Type)" = notify ] || fail "$(unit Type)"
    pid=$(unit MainPID)
    [ "$(stat -c %U:%G /proc/$pid)" = cranktrap:cranktrap ] || fail "runs as $(stat -c %U /proc/$pid)"
    within 240 "the flow" streaming
    say "runs as $(stat -c %U /proc/$pid), Status: $(unit StatusText)"
}
