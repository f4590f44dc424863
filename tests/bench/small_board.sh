#!/usr/bin/env bash
# Runs a command with a tenth of one processor and 256 MiB, the nearest thing to a small board
# that a large machine can be. Needs root and control groups, of the first or the second kind.
#
#   BOARD=/tmp/board cargo bench --bench board                # builds it, and makes the month
#   BOARD=/tmp/board tests/bench/small_board.sh cargo bench --bench board
set -euo pipefail
[ $# -gt 0 ] || { sed -n '2,7s/^# \{0,1\}//p' "$0"; exit 2; }
name=traywarden-board-$$
groups=()
if [ -f /sys/fs/cgroup/cgroup.controllers ]; then
    groups=("/sys/fs/cgroup/$name")
    echo "+cpu +memory" >/sys/fs/cgroup/cgroup.subtree_control
    mkdir "${groups[0]}"
    echo "10000 100000" >"${groups[0]}/cpu.max"
    echo 256M >"${groups[0]}/memory.max"
else
    groups=("/sys/fs/cgroup/cpu/$name" "/sys/fs/cgroup/memory/$name")
    mkdir "${groups[@]}"
    echo 100000 >"${groups[0]}/cpu.cfs_period_us"
    echo 10000 >"${groups[0]}/cpu.cfs_quota_us"
    echo 256M >"${groups[1]}/memory.limit_in_bytes"
fi
trap 'for group in "${groups[@]}"; do rmdir "$group" || true; done' EXIT
# The command alone is held: what ends in the group leaves it empty.
(
    for group in "${groups[@]}"; do echo $BASHPID >"$group/cgroup.procs"; done
    exec "$@"
)
