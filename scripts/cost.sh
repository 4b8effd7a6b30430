#!/usr/bin/env bash
# Prints what running processes cost: processor seconds per minute, wake-ups per second
# and memory, over SECONDS (default 60):
#   scripts/cost.sh PID[,PID...] [SECONDS]
# Threads that start or end in between are missed by the wake-ups; processor time is
# that of the whole process in steps of 10 ms.
set -eu
pids=${1:?usage: cost.sh PID[,PID...] [SECONDS]}
seconds=${2:-60}
ticks() { sed 's/.*) //' "/proc/$1/stat" | awk '{print $12 + $13}'; }
wakes() { cat "/proc/$1"/task/*/status 2>/dev/null | awk '/ctxt_switches/ {n += $2} END {print n + 0}'; }
declare -A t0 w0
for p in ${pids//,/ }; do t0[$p]=$(ticks "$p"); w0[$p]=$(wakes "$p"); done
start=$(date +%s.%N)
sleep "$seconds"
span=$(echo "$(date +%s.%N) $start" | awk '{print $1 - $2}')
printf '%-16s %8s %14s %10s %10s %12s %12s\n' program pid 'cpu s/min' '% of core' 'wakes/s' 'RSS MiB' 'private MiB'
for p in ${pids//,/ }; do
  [ -d "/proc/$p" ] || { echo "$p has ended" >&2; continue; }
  private=$(awk '/^Private/ {n += $2} END {print n / 1024}' "/proc/$p/smaps_rollup" 2>/dev/null || echo 0)
  echo "$(cat "/proc/$p/comm") $p $(ticks "$p") ${t0[$p]} $(wakes "$p") ${w0[$p]} $span $(awk '/^VmRSS/ {print $2 / 1024}' "/proc/$p/status") $private" |
    awk '{cpu = ($3 - $4) / 100; printf "%-16s %8d %14.3f %10.4f %10.2f %12.1f %12.1f\n", $1, $2, cpu / $7 * 60, cpu / $7 * 100, ($5 - $6) / $7, $8, $9}'
done
