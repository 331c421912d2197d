#!/bin/bash
# Installs watchkeeper's units from a folder, a webhook receiver on port 9017, the machine's own mail server, and the
# service tide-log, which is monitored.
set -euo pipefail
cd "$1"
mkdir -p /etc/sysusers.d /var/lib/hook
cp watchkeeper.conf watchkeeper-helper.conf /etc/sysusers.d/
systemd-sysusers
cp -r watchkeeper.service watchkeeper.service.d watchkeeper-helper.socket watchkeeper-helper@.service \
    watchkeeper-reader.socket watchkeeper-reader@.service /etc/systemd/system/
echo '/run/guests/*.qmp' >/etc/watchkeeper/guest-monitors
chmod 755 /etc/watchkeeper
chmod 644 /etc/watchkeeper/*

unit() { # NAME COMMAND
    printf '[Service]\nExecStart=%s\n[Install]\nWantedBy=multi-user.target\n' "$2" >"/etc/systemd/system/$1.service"
}
unit hook '/usr/bin/python3 /usr/local/lib/station/hook.py 9017 /var/lib/hook/events'
unit tide-log '/usr/bin/sleep infinity'
systemctl daemon-reload
systemctl enable --now hook tide-log postfix watchkeeper-helper.socket
