# What under_systemd.sh tries once systemd runs; started by it, as root of the namespace.
set -u
unit=traywarden
secret=only-for-this-test-5eed
failures=0

holds() { # holds "what" command...: says whether it does
    local what=$1
    shift
    if "$@"; then echo "ok: $what"; else echo "BROKEN: $what"; failures=$((failures + 1)); fi
}
state() { systemctl show $unit -p "$1" --value; }
soon() { # soon seconds command...: within that time
    local tenths=$(($1 * 10))
    shift
    for _ in $(seq "$tenths"); do "$@" && return 0; sleep 0.1; done
    return 1
}
is_active() { [ "$(state ActiveState)" = active ]; }
has_pid_other_than() { local pid; pid=$(state MainPID); [ "$pid" != 0 ] && [ "$pid" != "$1" ] && is_active; }
restarts_reach() { [ "$(state NRestarts)" -ge "$1" ]; }
never_failed() { [ "$(state ActiveState)" != failed ]; }
says() { grep -q "$1" /out/daemon.log; }
silent_about() { ! grep -rqa "$1" /out/daemon.log; }

cp /out/traywarden /usr/bin/traywarden
cp /out/traywarden.service /etc/systemd/system/
useradd --system --shell /usr/sbin/nologin traywarden 2>/dev/null
mkdir -p /etc/traywarden
echo "$secret" >/etc/traywarden/mqtt.password
chmod 600 /etc/traywarden/mqtt.password
cat >/etc/traywarden/right.toml <<SETTINGS
[site]
name = "Saltmarsh Lane"
time_zone = "America/Chicago"

[broker]
url = "mqtt://warden@127.0.0.1:1883"
password_file = "/run/credentials/traywarden.service/mqtt.password"

[store]
path = "/var/lib/traywarden/traywarden.db"

[[place]]
id = "rack-a"
name = "Rack A"

[[sensor]]
id = "rack-a-air"
place = "rack-a"
topic = "loft/rack-a/air"
every = "30 s"
temperature = { pointer = "/t", unit = "Cel" }
humidity = { pointer = "/h", unit = "%RH" }
SETTINGS
cp /etc/traywarden/right.toml /etc/traywarden/traywarden.toml
# The times of the unit are those of a night; here they are seconds. Nothing else differs.
mkdir -p /etc/systemd/system/traywarden.service.d
cat >/etc/systemd/system/traywarden.service.d/here.conf <<DROPIN
[Unit]
DefaultDependencies=no
[Service]
WatchdogSec=3s
TimeoutAbortSec=2s
RestartSec=100ms
StandardError=append:/out/daemon.log
DROPIN
systemctl daemon-reload

echo "== it starts"
systemctl start $unit || systemctl show $unit -p Result -p ExecMainStatus -p StatusText
holds "the unit is active once the daemon has said it is ready" is_active
holds "it runs as the user traywarden" test "$(ps -o user= -p "$(state MainPID)" | tr -d ' ')" = traywarden
holds "the store is its own and nobody else's" test "$(stat -c '%U %a' /var/lib/traywarden/traywarden.db)" = "traywarden 600"
holds "it waits for a broker that is not there" soon 5 says "nothing listens at 127.0.0.1"
holds "its password could be read" silent_about "password file"

echo "== the watchdog"
sleep 5
pid=$(state MainPID)
holds "a daemon that lives is left alone" restarts_reach 0
before=$(state NRestarts)
touch /tmp/mark
kill -STOP "$pid"
holds "a daemon that hangs is ended and started anew" soon 20 has_pid_other_than "$pid"
holds "it was the watchdog" test "$(state NRestarts)" -gt "$before"

echo "== a core dump"
pid=$(state MainPID)
holds "it may leave no core" grep -q "Max core file size *0 *0" "/proc/$pid/limits"
holds "its memory is closed to whoever is not root" test "$(stat -c %U "/proc/$pid/mem")" = root
kill -ABRT "$pid"
holds "after a crash it is there again" soon 10 has_pid_other_than "$pid"
holds "no file of the machine holds the password" test -z "$(find / -xdev -newer /tmp/mark -type f -not -path '/proc/*' -not -path '/sys/*' -size -64M -exec grep -la "$secret" {} + 2>/dev/null)"
holds "nor does the log" silent_about "$secret"

echo "== a crash loop"
systemctl stop $unit
printf '[site]\nnam = 1\n' >/etc/traywarden/traywarden.toml
systemctl start --no-block $unit
holds "it is started again and again" soon 30 restarts_reach 40
holds "and never given up" never_failed
cp /etc/traywarden/right.toml /etc/traywarden/traywarden.toml
holds "it comes up by itself once the settings are right" soon 5 is_active
# A start takes less time than systemd to see a death: the next kill waits for another process. While
# there is none its number is 0, which to `kill` is whoever asks.
killed=0
for _ in $(seq 15); do
    soon 5 has_pid_other_than "$killed"
    killed=$(state MainPID)
    [ "$killed" != 0 ] && kill -KILL "$killed"
done
soon 5 has_pid_other_than "$killed"
holds "killed again and again it comes back" soon 5 is_active

echo "== stores of every version that was released"
newest=$(ls /out/v*.sql | sed 's/.*v//; s/\.sql//' | sort -n | tail -n 1)
for dump in /out/v*.sql; do
    version=$(basename "$dump" .sql)
    systemctl stop $unit
    rm -f /var/lib/traywarden/traywarden.db*
    python3 - "$dump" <<'MAKE'
import sqlite3, sys
store = sqlite3.connect("/var/lib/traywarden/traywarden.db", isolation_level=None)
store.executescript(open(sys.argv[1]).read())
MAKE
    chown traywarden: /var/lib/traywarden/traywarden.db
    systemctl start $unit
    holds "the daemon starts on a store of $version" is_active
    systemctl stop $unit
    holds "and leaves it as a store of v$newest with its journal" python3 - "$newest" <<'LOOK'
import sqlite3, sys
store = sqlite3.connect("/var/lib/traywarden/traywarden.db")
version, = store.execute("PRAGMA user_version").fetchone()
entries, = store.execute("SELECT count(*) FROM journal").fetchone()
sys.exit(not (version == int(sys.argv[1]) and entries >= 1))
LOOK
done

[ "$failures" -eq 0 ] && echo "everything holds"
