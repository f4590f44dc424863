#!/usr/bin/env bash
# The Debian package in a scratch Debian: made by deploy/package, held against lintian,
# installed, upgraded over a store of an older version, removed and purged. Needs root,
# debootstrap, lintian and python3. BINARY=FILE packs that program instead of a release build.
# About a minute, most of it the download of the scratch system.
set -euo pipefail
cd "$(dirname "$0")/../.."
work=$(mktemp -d)
scratch=$work/debian
trap 'umount "$scratch/proc" 2>/dev/null || true; rm -rf --one-file-system "$work"' EXIT
fail() { echo "package: $1" >&2; exit 1; }

old=$(VERSION=0.0.1~old deploy/package "$work")
new=$(deploy/package "$work")

echo "package: lintian"
# Its maintainer is an address that cannot be, on purpose, and a package of our own closes no bug.
said=$(lintian --tag-display-limit 0 --allow-root --fail-on none \
    --suppress-tags bogus-mail-host,initial-upload-closes-no-bugs "$new" 2>&1 || true)
echo "$said"
if grep -q '^E:' <<<"$said"; then fail "lintian finds errors"; fi

echo "package: a scratch Debian"
debootstrap --variant=minbase --include=systemd-standalone-sysusers bookworm "$scratch" >"$work/log" 2>&1 ||
    { tail -n 20 "$work/log" >&2; fail "debootstrap did not finish"; }
mount -t proc proc "$scratch/proc"
cp "$old" "$new" "$scratch/tmp/"
inside() { chroot "$scratch" /usr/bin/env -i PATH=/usr/sbin:/usr/bin:/sbin:/bin LANG=C.UTF-8 "$@"; }
as_daemon() { inside setpriv --reuid traywarden --regid traywarden --clear-groups "$@"; }

echo "package: install"
inside dpkg -i "/tmp/$(basename "$old")" >/dev/null
inside id traywarden >/dev/null || fail "the daemon's user was not made"
inside traywarden --version
[ -d "$scratch/etc/traywarden" ] || fail "there is no folder for the settings"

# A store of the first version, as a grower's machine would have it after a year.
install -d -m 700 "$scratch/var/lib/traywarden"
python3 - src/store/tests/fixtures/v1.sql "$scratch/var/lib/traywarden/traywarden.db" <<'PYTHON'
import sqlite3, sys
store = sqlite3.connect(sys.argv[2])
store.executescript(open(sys.argv[1], encoding="utf-8").read())
store.close()
PYTHON
cp tests/deploy/one_rack.toml "$scratch/etc/traywarden/traywarden.toml"
inside chown -R traywarden:traywarden /var/lib/traywarden

echo "package: root's check looks with the daemon's eyes, and with its password"
sed 's|^\[broker\]|&\nuser = "traywarden"\npassword_file = "/run/credentials/traywarden.service/mqtt.password"|' \
    "$scratch/etc/traywarden/traywarden.toml" > "$scratch/etc/traywarden/check.toml"
(umask 077; echo tray > "$scratch/etc/traywarden/mqtt.password")
inside traywarden --config /etc/traywarden/check.toml check --listen "1 s" >"$work/check" 2>&1 || true
for line in "^As the user traywarden" "nothing listens at 127.0.0.1 port 1:"; do
    grep -q "$line" "$work/check" || { cat "$work/check" >&2; fail "the check does not say: $line"; }
done
[ -z "$(find "$scratch/run" -name 'traywarden-check*')" ] || fail "copies of passwords were left behind"

echo "package: upgrade, with a migration of the store"
inside dpkg -i "/tmp/$(basename "$new")" >/dev/null
inside dpkg-query -W -f '${Version}\n' traywarden
as_daemon timeout -s TERM 5 traywarden run >"$work/run" 2>&1 || true
grep -q "brought up to date" "$work/run" || { cat "$work/run" >&2; fail "the older store was not brought up to date"; }
as_daemon traywarden now >/dev/null || fail "the upgraded store cannot be looked at"
[ -z "$(find "$scratch/var/lib/traywarden" -user root)" ] || fail "a file of the watch became root's"

echo "package: remove keeps, purge ends"
inside dpkg -r traywarden >/dev/null
[ -s "$scratch/var/lib/traywarden/traywarden.db" ] || fail "remove took the store away"
[ -s "$scratch/etc/traywarden/traywarden.toml" ] || fail "remove took the settings away"
inside dpkg -P traywarden >/dev/null
left=$(find "$scratch" -path "$scratch/proc" -prune -o \( -path '*traywarden*' -not -path "$scratch/tmp/*" \) -print)
[ -z "$left" ] || fail "purge left $left"
echo "package: well"
