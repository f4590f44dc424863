#!/usr/bin/env bash
# The shipped unit really started by systemd as process 1 of a throw-away namespace:
# its own mounts, processes, network and control groups over a copy-on-write root.
# Nothing of the machine outside is changed. Needs root. About 50 s.
#
#   tests/deploy/under_systemd.sh [path of the binary]
#
# Ends with 0 when all holds, 1 when something does not, 3 where a machine allows no
# namespaces to be made (some containers); then nothing was tried.
set -euo pipefail
here=$(cd "$(dirname "$0")" && pwd)
tree=$(cd "$here/../.." && pwd)
binary=$(readlink -f "${1:-$tree/target/debug/traywarden}")
[ -x "$binary" ] || { echo "there is no binary at $binary; run: cargo build"; exit 1; }
[ "$(id -u)" -eq 0 ] || { echo "only root can make these namespaces"; exit 3; }
unshare --mount --pid --fork --uts --ipc --net --cgroup --propagation private sh -c \
    'mount -t tmpfs tmpfs /mnt && mkdir /mnt/a /mnt/b /mnt/c && mount -t overlay overlay -o lowerdir=/,upperdir=/mnt/a,workdir=/mnt/b /mnt/c' 2>/dev/null ||
    { echo "this machine lets nobody make namespaces with an overlay in them; the unit was not started"; exit 3; }
command -v python3 >/dev/null || { echo "this needs python3; install it with: apt install python3"; exit 1; }
[ -x /lib/systemd/systemd ] || { echo "this needs systemd; install it with: apt install systemd"; exit 1; }

work=$(mktemp -d)
mkdir "$work/out" "$work/root"
cp "$binary" "$work/out/traywarden"
cp "$tree/systemd/traywarden.service" "$tree"/src/store/tests/fixtures/v*.sql "$here/under_systemd_inside.sh" "$work/out/"
group=/sys/fs/cgroup/unified/traywarden-test.$$
mkdir -p "$group" 2>/dev/null || { group=/sys/fs/cgroup/traywarden-test.$$; mkdir -p "$group"; }
tidy_up() {
    find "$group" -depth -type d -exec rmdir {} \; 2>/dev/null || true
    rm -rf "$work"
}
trap tidy_up EXIT

(
    echo $BASHPID >"$group/cgroup.procs"
    export work
    exec timeout -s KILL 150 unshare --mount --pid --fork --uts --ipc --net --cgroup --propagation private --kill-child bash -c '
set -e
top=$work/root
mount -t tmpfs -o size=512m tmpfs "$top"
mkdir -p "$top/upper" "$top/work" "$top/root"
mount -t overlay overlay -o lowerdir=/,upperdir="$top/upper",workdir="$top/work" "$top/root"
cd "$top/root"
mount -t proc proc proc
mount -t sysfs sysfs sys
mount -t tmpfs tmpfs run
mount -t tmpfs tmpfs tmp
mount -t tmpfs -o mode=755 tmpfs dev
for device in null zero full random urandom tty; do touch dev/$device; mount --bind /dev/$device dev/$device; done
mkdir dev/pts dev/shm
mount -t tmpfs tmpfs dev/shm
ln -s /proc/self/fd dev/fd
ln -s pts/ptmx dev/ptmx
mount -t devpts -o newinstance,ptmxmode=666 devpts dev/pts
mount -t tmpfs tmpfs sys/fs/cgroup 2>/dev/null || true
mount -t cgroup2 cgroup2 sys/fs/cgroup
mkdir -p out
mount --bind "$work/out" out
# systemd has no terminal here; what it says to one goes into a file.
touch out/systemd.log dev/console
mount --bind out/systemd.log dev/console
rm -f etc/systemd/system/*.wants/*
printf "[Unit]\nDefaultDependencies=no\n[Service]\nType=oneshot\nExecStart=/bin/bash /out/under_systemd_inside.sh\nStandardOutput=file:/out/inside.log\nStandardError=inherit\nExecStopPost=/bin/systemctl --no-block --force poweroff\n" > etc/systemd/system/inside.service
echo > etc/fstab
echo 0123456789abcdef0123456789abcdef > etc/machine-id
ip link set lo up 2>/dev/null || true
mkdir -p old
pivot_root . old
umount -l /old
# Without this the folder of credentials stays empty.
mount --make-rshared /
exec env -i container=traywarden-test PATH=/usr/sbin:/usr/bin:/sbin:/bin /lib/systemd/systemd --unit=inside.service --log-target=console --log-level=info --show-status=0
' >"$work/out/console.log" 2>&1
) || true

cat "$work/out/inside.log" 2>/dev/null || true
if ! grep -q '^everything holds$' "$work/out/inside.log" 2>/dev/null; then
    echo "-- what systemd said"
    tail -n 30 "$work/out/console.log" "$work/out/systemd.log"
    echo "-- what the daemon said"
    tail -n 40 "$work/out/daemon.log" 2>/dev/null || true
    exit 1
fi
