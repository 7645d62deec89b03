#!/bin/sh
# add-user.sh NAME: a user of the broker with a password of its own, which is left in ./NAME.password for whoever is to
# have it. As root, in a folder that only you may read. The broker learns of it by `systemctl reload mosquitto`.
set -eu
umask 077
users=/etc/mosquitto/benchd.passwd
name=${1:?"which name? For a bench as it is in topics: letters, digits, - . _ ~ and %XX"}
case $name in
*[!A-Za-z0-9._~%-]*) echo "$name: letters, digits, - . _ ~ and %XX only" >&2; exit 2 ;;
esac
if cut -d: -f1 "$users" | grep -qxF -e "$name"; then
    echo "$name is a user already; to give a new password: mosquitto_passwd -D $users $name, then again" >&2
    exit 1
fi
new=$(mktemp)
trap 'rm -f "$new"' EXIT
# Through a file: a password on a command line can be read by everybody on this computer.
head -c 24 /dev/urandom | od -An -tx1 | tr -d ' \n' > "$name.password"
printf '%s:%s\n' "$name" "$(cat "$name.password")" > "$new"
mosquitto_passwd -U "$new"
cat "$new" >> "$users"
echo "$name may come in; its password is in $(pwd)/$name.password"
