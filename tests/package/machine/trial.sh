# SPDX-License-Identifier: Apache-2.0
# Within the machine, started by systemd: the test that the kernel's command line names.
export SYSTEMD_COLORS=0 SYSTEMD_URLIFY=0 SYSTEMD_PAGER= SYSTEMD_LOG_COLOR=0
explain() {
    echo "--- service"
    systemctl status cranktrapd.service cranktrapd.socket
    echo "--- journal"
    journalctl -b -n 40 -u cranktrapd.service -u cranktrapd.socket -u systemd-logind -u polkit
    echo "--- apt"
    tail -n 20 /tmp/apt.log
}

test=$(sed -n 's/.*vm_test=\([^ ]*\).*/\1/p' /proc/cmdline)
# In a shell of its own: whatever it does, the machine is turned off.
if sh -eu "/vm/$test.sh"; then
    echo "vm: passed"
else
    explain
    echo "vm: FAILED"
fi
systemctl poweroff --force --force
