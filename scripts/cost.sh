#!/usr/bin/env bash
# Prints what running processes cost: processor seconds per minute, wake-ups per second
# and memory, over SECONDS (default 60):
#   scripts/cost.sh PID[,PID...] [SECONDS]
# With a program it starts that agent itself, on empty folders, beside those general
# agents that are installed (sadc, prometheus-node-exporter, collectd), all looking once a
# second, and measures them in the same run (SECONDS: 300). A busy loop at the lowest
# priority keeps one core at work meanwhile, without which the agent would sample rarely;
# --idle leaves it out:
#   scripts/cost.sh --beside [--idle] PATH/TO/capd [SECONDS]
# While a pass runs its logger writes: this has logs grow in the watched folder, one for
# each number of writes a second, and measures each for SECONDS (default 40), which makes
# 10 minutes of the seven rates 0,1,2,6,10,30,200:
#   scripts/cost.sh --writes N[,N...] [--idle] PATH/TO/capd [SECONDS]
# This compares the agent's samples with a C program (scripts/floor.c, built by cc or taken
# from $FLOOR) that reads the same files of the kernel and nothing else, for SECONDS
# (default 120) in the same run:
#   scripts/cost.sh --floor [--idle] PATH/TO/capd [SECONDS]
# Processor time is the scheduler's own count; threads that start or end in between are
# missed by it. A wake-up is a thread that had waited and runs again; a thread that had to
# let another one go first is counted as preempted.
set -eu
usage() { sed -n '2,/^set/s/^# \{0,1\}//p' "$0" | sed '$d' >&2; exit 2; }

ran() { cat "/proc/$1"/task/*/schedstat 2>/dev/null | awk '{n += $1} END {printf "%.0f\n", n}'; }
switches() { cat "/proc/$1"/task/*/status 2>/dev/null | awk -v w="^$2" '$0 ~ w {n += $2} END {print n + 0}'; }

measure() { # PID,PID... SECONDS [WRITES]
  local pids=${1//,/ } p start span private before=
  local -A ran0 wake0 push0
  for p in $pids; do
    [ -d "/proc/$p" ] || { echo "there is no process $p" >&2; return 3; }
    ran0[$p]=$(ran "$p"); wake0[$p]=$(switches "$p" voluntary); push0[$p]=$(switches "$p" nonvoluntary)
  done
  start=$(date +%s.%N)
  sleep "$2"
  span=$(echo "$(date +%s.%N) $start" | awk '{print $1 - $2}')
  [ -z "${3:-}" ] || before=$(printf '%8s ' "$3")
  [ "$heading" = no ] || printf '%s%-16s %8s %10s %10s %9s %12s %9s %12s\n' "${before:+writes/s }" program pid 'cpu s/min' '% of core' 'wakes/s' 'preempted/s' 'RSS MiB' 'private MiB'
  for p in $pids; do
    [ -d "/proc/$p" ] || { echo "$p has ended" >&2; continue; }
    private=$(awk '/^Private/ {n += $2} END {print n / 1024}' "/proc/$p/smaps_rollup" 2>/dev/null || echo 0)
    echo "$(tr ' ' _ <"/proc/$p/comm") $p $(ran "$p") ${ran0[$p]} $(switches "$p" voluntary) ${wake0[$p]}" \
      "$(switches "$p" nonvoluntary) ${push0[$p]} $span $(awk '/^VmRSS/ {print $2 / 1024}' "/proc/$p/status") $private" |
      awk -v before="$before" '{cpu = ($3 - $4) / 1e9; printf "%s%-16s %8d %10.4f %10.4f %9.2f %12.2f %9.1f %12.1f\n", before, $1, $2, cpu / $9 * 60, cpu / $9 * 100, ($5 - $6) / $9, ($7 - $8) / $9, $10, $11}'
  done
}

# write appends rows to a log, so many a second, until it is ended: a logger that holds its
# log open and flushes every row. Waiting for input that never comes needs no process.
write() { # LOG RATE
  local gap never
  gap=$(awk -v n="$2" 'BEGIN {printf "%.4f", 1 / n}')
  exec 3>"$1" {never}<> <(:)
  echo frame_ms >&3
  while printf '%d.%d\n' $((10 + RANDOM % 3)) $((RANDOM % 10)) >&3; do read -r -t "$gap" -u "$never" || :; done
}

calm() { # PID: waits until its log is judged
  local before after i
  sleep 10
  for i in {1..30}; do
    before=$(switches "$1" voluntary)
    sleep 3
    after=$(switches "$1" voluntary)
    if [ $((after - before)) -le 15 ]; then return; fi
  done
}

floor() { # PID SECONDS DATA: what the kernel's files that a process keeps open cost alone
  local program=${FLOOR:-} file files=() processes=0
  if [ -z "$program" ]; then
    program=$dir/floor
    cc -O2 -o "$program" "$(dirname "$0")/floor.c"
  fi
  # How often the agent reads each: see openTreeSources in sysinfo/sensor/open.go.
  for file in /proc/"$1"/fd/*; do
    file=$(readlink "$file") || continue
    case $file in
    /proc/[0-9]*/stat) processes=$((processes + 1)) ;;
    /proc/stat) files=("$file@1" "${files[@]}") ;;
    /proc/vmstat) files+=("$file@4+0") ;;
    /proc/meminfo) files+=("$file@4+1") ;;
    /proc/pressure/memory | /proc/pressure/cpu) files+=("$file@4+2") ;;
    /proc/pressure/io) files+=("$file@4+3") ;;
    /proc/net/dev | /proc/*/net/dev) files+=("/proc/net/dev@2+1") ;;
    /sys/*/online | /proc/uptime | /sys/fs/cgroup/*) ;; # of a machine at rest, and of Go's runtime
    /sys/*/* | /proc/diskstats) [ ! -f "$file" ] || files+=("$file@1") ;;
    esac
  done
  "$asked" --data "$3" overhead --over "$2s" >"$dir/samples" &
  local waits=$!
  "$program" "$2" $((6 + processes / 19)) "${files[@]}"
  wait "$waits"
  grep '^samples' "$dir/samples"
}

started=()
dir=
heading=
end() {
  [ "${#started[@]}" -eq 0 ] || kill "${started[@]}" 2>/dev/null || :
  wait
  [ -z "$dir" ] || rm -rf "$dir"
}

beside() { # PROGRAM SECONDS IDLE [WRITES]
  local agent asked pids name rate writer port=19100
  agent=$(command -v "$1") || { echo "there is no program $1" >&2; return 3; }
  dir=$(mktemp -d)
  trap end EXIT
  mkdir "$dir/logs" "$dir/general"
  "$agent" --data "$dir/data" --watch "$dir/logs" run >"$dir/agent.txt" 2>&1 & started+=($!); pids=$!
  if name=$(PATH=$PATH:/usr/lib/sysstat:/usr/lib64/sa command -v sadc); then
    "$name" 1 "$dir/general/sadc" >/dev/null & started+=($!); pids+=,$!
  fi
  if name=$(command -v prometheus-node-exporter || command -v node_exporter); then
    GOMAXPROCS=1 "$name" --web.listen-address=127.0.0.1:$port >/dev/null 2>&1 & started+=($!); pids+=,$!
    while sleep 1; do # the reader is no part of the figures
      { exec 3<>/dev/tcp/127.0.0.1/$port && printf 'GET /metrics HTTP/1.0\r\n\r\n' >&3 && cat <&3 >/dev/null; } 2>/dev/null || :
    done & started+=($!)
  fi
  if name=$(PATH=$PATH:/usr/sbin command -v collectd); then
    { echo "Interval 1"; echo "BaseDir \"$dir/general\""; printf 'LoadPlugin %s\n' cpu memory disk interface load processes swap vmem csv; } >"$dir/collectd.conf"
    "$name" -f -C "$dir/collectd.conf" >/dev/null 2>&1 & started+=($!); pids+=,$!
  fi
  [ "${#started[@]}" -gt 1 ] || [ -n "$4$floor" ] || { echo "none of sadc (Debian: sysstat), prometheus-node-exporter and collectd (collectd-core) is installed" >&2; return 3; }
  [ -n "$3" ] || { nice -n 19 sh -c 'while :; do :; done' & started+=($!); }
  sleep 45 # starting is over; a calm machine has been calm for long enough to be sampled rarely
  echo "$(nproc) processors, $(ls -d /proc/[0-9]* | wc -l) processes, load $(cut -d' ' -f1 /proc/loadavg), $2 seconds"
  [ -n "$4$floor" ] || measure "$pids" "$2"
  for rate in ${4//,/ }; do
    writer=
    if [ "$rate" != 0 ]; then
      write "$dir/logs/$rate.csv" "$rate" & writer=$!; started+=($!)
      sleep 5 # by then the agent knows that the log grows
    fi
    measure "$pids" "$2" "$rate"
    heading=no
    if [ -n "$writer" ]; then
      kill "$writer"
      wait "$writer" 2>/dev/null || :
      calm "${pids%%,*}"
    fi
  done
  asked=$(PATH=$(dirname "$agent"):$PATH command -v capctl) || return 0
  "$asked" --data "$dir/data" overhead
  [ -z "$floor" ] || floor "${pids%%,*}" "$floor" "$dir/data"
}

idle=
floor=
case ${1:-} in
--beside | --writes | --floor)
  writes= mode=$1
  if [ "$1" = --writes ]; then
    writes=${2:-}
    [[ "$writes" =~ ^[0-9]+(,[0-9]+)*$ ]] || usage
    shift
  fi
  shift
  if [ "${1:-}" = --idle ]; then idle=yes; shift; fi
  [ $# -ge 1 ] || usage
  if [ "$mode" = --floor ]; then floor=${2:-120}; fi
  if [ -n "$writes" ]; then beside "$1" "${2:-40}" "$idle" "$writes"; else beside "$1" "${2:-300}" "$idle" ''; fi ;;
'' | -*) usage ;;
*) measure "$1" "${2:-60}" ;;
esac
