# SPDX-License-Identifier: Apache-2.0
# The package's life as docs/service.md tells it, from the installation to the purge.
. /vm/common.sh

install_it() {
    install_package /vm/older.deb
    grep -q "no hookup yet" /tmp/apt.log || fail "the installation does not say what comes next"
    ! active cranktrapd.service || fail "it runs without a hookup"
    [ "$(stat -c '%U:%G %a' $state)" = "cranktrap:cranktrap 750" ] || fail "$(ls -ld $state)"
    systemctl start cranktrapd.service # no hookup: left alone, and no failure
    [ "$(unit ActiveState) $(unit ConditionResult)" = "inactive no" ] || fail "$(unit ActiveState) without a hookup"
    systemctl -q is-failed 'cranktrapd.*' && fail "it failed without a hookup" || true
    say "installed; nothing runs without a hookup"
}

# By the socket's rights.
access() {
    useradd -M -G cranktrap member
    useradd -M outsider
    runuser -u member -- cranktrap status >/tmp/said || fail "the group may not ask: $(cat /tmp/said)"
    ! runuser -u outsider -- cranktrap status >/tmp/said 2>&1 || fail "everybody may ask"
    say "the group may ask; somebody else is told: $(head -n 1 /tmp/said)"
}

sleep_lock() {
    within 300 "the lock" sh -c "systemd-inhibit --list --no-legend | grep -q cranktrap"
    systemd-inhibit --list --no-legend >/tmp/locks
    grep cranktrap /tmp/locks | grep sleep | grep handle-lid-switch | grep -q block ||
        fail "no lock: $(cat /tmp/locks); $(unit StatusText)"
    say "the computer is kept awake"
}

exposure() {
    systemd-analyze security cranktrapd.service >/tmp/exposure
    level=$(sed -n 's/.*Overall exposure level[^:]*: \([0-9]*\)\.\([0-9]\).*/\1\2/p' /tmp/exposure)
    [ "$level" -le 20 ] || fail "$(tail -n 1 /tmp/exposure)"
    say "$(tail -n 1 /tmp/exposure)"
}

reload() {
    before=$(status scans) epoch=$(status epoch)
    sed -i 's/^name = .*/name = parcel van, bay 3/' $hookup
    printf '\n[storage]\nsnapshots = 300 MiB\nafter = 5 s\n' >>$hookup
    systemctl reload cranktrapd
    within 240 "the reload" journal_says "no scan was lost"
    within 240 "the end of the reload" in_state active
    says "parcel van, bay 3" || fail "the old vehicle is watched"
    within 240 "scans after it" more_scans "$((before + 500))"
    is scans_lost 0 && is losses_of_unknown_size 0 && is epoch "$epoch" || fail "something was lost"
    [ "$(unit NRestarts) $(unit MainPID)" = "0 $pid" ] || fail "another process"
    sed 's/^driver = sim/&\nrate = 1000/' $hookup >/tmp/other.hookup
    cat /tmp/other.hookup >$hookup
    systemctl reload cranktrapd
    within 240 "the refusal" journal_says "reload: the old hookup holds: board logger"
    sed -i '/^rate = 1000/d' $hookup
    flows_on
    is scans_lost 0 || fail "something was lost"
    say "reloaded under the flow, no scan lost; another rate is refused"
}

attempt() {
    within 300 "the first attempt's snapshot" snapshot_saved 1
    within 300 "its report" test -s $state/snapshots/0001.json
    journal_has CRANKTRAP_BOARD logger || fail "no line of the board"
    journal_has CRANKTRAP_SNAPSHOT 1 || fail "no line of the snapshot"
    journal_has CRANKTRAP_TRIGGER || fail "no line of the trigger"
    journal_has SYSLOG_IDENTIFIER cranktrapd || fail "no identifier"
    journalctl -b -o cat CRANKTRAP_SNAPSHOT=1 | grep -q saved || fail "not found by its number"
    say "an attempt was kept and judged: $(journalctl -b -o cat CRANKTRAP_SNAPSHOT=1 | head -n 1)"
}

# Children of the daemon, within its sandbox.
children() {
    for form in pdf html png svg; do
        ask "/v0/snapshots/1/report.$form" "/tmp/report.$form" || fail "no $form"
        [ -s "/tmp/report.$form" ] || fail "an empty $form"
    done
    [ "$(head -c 5 /tmp/report.pdf)" = %PDF- ] || fail "no PDF"
    for path in snapshots/1/report attempts night ready hookup; do
        ask "/v0/$path" /tmp/answer || fail "no $path"
        grep -q '"schema"' /tmp/answer || fail "$path: $(head -c 200 /tmp/answer)"
    done
    grep -q '"verdict"' /tmp/answer || true
    ! journal_says "its analysis" || fail "the analysis failed"
    say "report, PDF, HTML, PNG, SVG, night and ready by its children"
}

# The way of docs/api.md, with the network that it may reach by its sandbox.
phone() {
    runuser -u member -- cranktrap phone >/tmp/phone || fail "$(cat /tmp/phone)"
    url=$(grep -o 'http://192.168.23.2:[^ ]*' /tmp/phone | head -n 1)
    curl -fsS --max-time 30 -c /tmp/cookie -L "$url" -o /tmp/page.html || fail "no page at $url"
    code=$(curl -sS --max-time 30 -o /dev/null -w '%{http_code}' "${url%%\?*}")
    [ "$code" = 401 ] || fail "without the token: $code"
    cranktrap phone --close >/dev/null
    ! curl -fsS --max-time 30 "$url" -o /tmp/page.html 2>/dev/null || fail "it is open still"
    say "cranktrap phone opens the page to the local network, by its token, and closes it"
}

watchdog() {
    pid=$(unit MainPID) segment=$(newest_segment)
    kill -STOP "$pid"
    within 300 "the watchdog" restarted
    within 240 "the restart" watches
    [ "$(unit MainPID)" != "$pid" ] || fail "the same process"
    journal_says "Failed with result 'watchdog'" || fail "the journal does not say why"
    interrupted "$segment" || fail "the record does not show it: $(cat /tmp/verify.log)"
    flows_on
    say "stopped dead: killed by the watchdog and started again"
}

network() {
    mkdir -p /etc/systemd/system/cranktrapd.service.d
    printf '[Service]\nExecStart=\nExecStart=/usr/bin/cranktrapd --listen loopback\n' \
        >/etc/systemd/system/cranktrapd.service.d/override.conf
    systemctl daemon-reload
    systemctl restart cranktrapd.service
    within 240 "the flow" streaming
    curl -fsS --max-time 30 http://127.0.0.1:4187/ -o /tmp/page.html || fail "nothing over TCP"
    grep -q '<html' /tmp/page.html || say "(built without the page)"
    rm -r /etc/systemd/system/cranktrapd.service.d
    systemctl daemon-reload
    systemctl restart cranktrapd.service
    within 240 "the flow" streaming
    say "--listen loopback answers with the page"
}

activation() {
    systemctl stop cranktrapd.service 2>/dev/null # says that the socket stays
    ! active cranktrapd.service || fail "it runs"
    active cranktrapd.socket || fail "the socket went with the service"
    says "parcel van" || fail "$(cat /tmp/said)"
    active cranktrapd.service || fail "nobody was started"
    within 240 "the flow" streaming
    say "somebody asked, and it was started by the socket"
}

stop_it() {
    systemctl stop cranktrapd.service cranktrapd.socket
    [ "$(unit Result) $(unit ExecMainStatus)" = "success 0" ] || fail "$(unit Result)"
    [ ! -e $socket ] || fail "its socket is left"
    check_files
    say "stopped; all is on disk and whole"
}

upgrade() {
    systemctl start cranktrapd.socket cranktrapd.service
    within 240 "the flow" streaming
    pid=$(unit MainPID) segment=$(newest_segment)
    install_package /vm/cranktrap.deb || fail "apt"
    within 240 "the service" watches
    [ "$(unit MainPID)" != "$pid" ] || fail "the old process runs on"
    [ "$(dpkg-query -W -f '${Version}' cranktrap)" != 0.0.1 ] || fail "the old version"
    flows_on
    cranktrap verify "$segment" >/tmp/verify.log || fail "$(cat /tmp/verify.log)"
    say "upgraded while it ran; what the old one recorded is whole"
}

remove() {
    apt_does remove || fail "apt"
    ! active cranktrapd.service && ! active cranktrapd.socket || fail "it still runs"
    [ ! -e /usr/bin/cranktrapd ] || fail "the program is left"
    ls $state/snapshots/*.crank $state/ring/*.ring >/dev/null || fail "what was recorded is gone"
    [ -e $hookup ] || fail "the hookup is gone"
    say "removed; what was recorded is kept"
}

again() {
    install_package /vm/cranktrap.deb || fail "apt"
    within 240 "the service" active cranktrapd.service
    within 240 "the flow" streaming
    say "installed again: it goes on with what it finds"
}

purge() {
    apt_does purge || fail "apt"
    [ ! -e $state ] || fail "the state folder is left: $(ls $state)"
    [ -e $hookup ] || fail "the hookup is gone"
    [ ! -e /etc/cranktrap/sample.hookup ] || fail "the sample is left"
    systemctl list-units --all --no-legend 'cranktrapd*' >/tmp/units
    [ ! -s /tmp/units ] || fail "left: $(cat /tmp/units)"
    ! find /etc/systemd /var/lib/systemd -name '*cranktrap*' | grep -v trial | grep . || fail "links are left"
    say "purged; the hookup stays"
}

install_it
start
access
sleep_lock
exposure
reload
attempt
children
phone
watchdog
network
activation
stop_it
upgrade
remove
again
purge
