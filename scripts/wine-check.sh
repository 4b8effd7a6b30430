#!/usr/bin/env bash
# Runs the main job with the Windows programs under Wine: agent, logs, validators, store,
# capctl, the control channel, a kill, a second agent; then libraries that stand in for those of
# Windows; then installing, an upgrade, uninstalling. Needs Debian's wine64 and
# gcc-mingw-w64-x86-64; leaves nothing behind.
set -euo pipefail
cd "$(dirname "$0")/.."
dir=$(mktemp -d)
export WINEPREFIX=$dir/prefix WINEDEBUG=-all WINEDLLOVERRIDES=mscoree,mshtml=
agent=
clean_up() {
  [ -z "$agent" ] || kill "$agent" 2>/dev/null || true
  wineserver -k 2>/dev/null || true
  wait 2>/dev/null || true
  rm -rf "$dir"
}
trap clean_up EXIT

export CGO_ENABLED=0
wine=$(command -v wine64 || command -v wine || echo /usr/lib/wine/wine64)
"$wine" wineboot -i >/dev/null 2>&1 &
booting=$!
GOOS=windows go build -o "$dir/" ./cmd/...
go run ./internal/testlab/logwriter "$dir/whole.csv" 1 120 20
go run ./internal/testlab/logwriter "$dir/early.csv" 2 120 8

wait "$booting" || true
# Debian's Wine 8 lacks a library that Go programs need; another one has the function.
printf 'LIBRARY bcryptprimitives.dll\nEXPORTS\nProcessPrng = ADVAPI32.SystemFunction036\n' > "$dir/shim.def"
x86_64-w64-mingw32-ld -shared -o "$WINEPREFIX/drive_c/windows/system32/bcryptprimitives.dll" "$dir/shim.def"
"$wine" winecfg -v win10 >/dev/null 2>&1 || true

mkdir "$dir/logs"
# As editors of Windows write it: with a byte order mark; below once more in UTF-16.
{ printf '\xef\xbb\xbf' && sed 's/$/\r/'; } > "$dir/capd.toml" <<'TOML'
bench = "wine"
data = "data"
watch = "logs"
[tags]
paths = ["{game}-pass{pass}.csv"]
[expect]
duration_s = 20
[files]
quiet_s = 1
[checks]
off = ["background"]
TOML
# Its figures mean nothing beside what follows; that it comes to an end does.
"$wine" "$dir/capctl.exe" disturbance --rounds 6 --threads 1 --json > "$dir/disturbance" 2> "$dir/disturbance.err" &
disturbance=$!
"$wine" "$dir/capd.exe" run --config "Z:$dir/capd.toml" > "$dir/out" 2> "$dir/err" &
agent=$!
capctl() { "$wine" "$dir/capctl.exe" --config "Z:$dir/capd.toml" "$@" | tr -d '\r'; }

give_up() { echo "$1"; cat "$dir/out" "$dir/err"; exit 1; }
cp "$dir/whole.csv" "$dir/logs/river-pass1.csv"
cp "$dir/early.csv" "$dir/early.tmp" && mv "$dir/early.tmp" "$dir/logs/river-pass2.csv"
for _ in $(seq 120); do
  [ "$(capctl passes --json 2>/dev/null | grep -c '"verdict":"[a-z]')" = 2 ] && break
  sleep 0.5
done
capctl passes
[ "$(capctl passes --json --verdict clean | grep -c '"pass":{"value":"1"')" = 1 ] || give_up "the whole pass is not clean"
[ "$(capctl passes --json --verdict bad | grep -c '"check":"completeness","version":"[0-9]*","outcome":"bad"')" = 1 ] || give_up "the pass stopped early is not bad"
capctl system show | sed -n 1,12p
grep -q '^BAD pass 2 of river' "$dir/out" || give_up "nobody was told"
# The control channel: what is asked of the agent while it runs, and what it tells by itself.
pid() { capctl status --json | sed -n 's/.*"pid":\([0-9]*\).*/\1/p'; }
until_said() { for _ in $(seq 120); do grep -q "$1" "$2" 2>/dev/null && return; sleep 0.25; done; give_up "never said: $1"; }
first=$(pid)
[ -n "$first" ] || give_up "it cannot be asked for its status"
capctl follow --json > "$dir/events" 2> "$dir/follow.err" &
following=$!
capctl begin game="Begun by hand" >/dev/null || give_up "begin fails"
capctl pause --reason "a swap" >/dev/null || give_up "pause fails"
sed 2d "$dir/whole.csv" > "$dir/third.tmp" && mv "$dir/third.tmp" "$dir/logs/odd name.csv"
for _ in $(seq 60); do capctl status --json | grep -q '"waiting":1.*"paused":"a swap"' && break; sleep 0.25; done
capctl status --json | grep -q '"waiting":1.*"paused":"a swap"' || give_up "a pause holds nothing up"
capctl resume >/dev/null || give_up "resume fails"
until_said '"kind":"pass".*Begun by hand' "$dir/events"
# A second agent is refused; the first one goes on.
status=0
"$wine" "$dir/capd.exe" run --config "Z:$dir/capd.toml" > "$dir/said" 2>&1 || status=$?
[ "$status" = 3 ] && grep -q 'another agent is using the data folder' "$dir/said" || { cat "$dir/said"; give_up "a second agent runs"; }
for _ in $(seq 240); do kill -0 "$disturbance" 2>/dev/null || break; sleep 0.5; done
if kill "$disturbance" 2>/dev/null; then cat "$dir/disturbance.err"; give_up "disturbance does not come to an end"; fi
[ "$(grep -c '"rounds":6' "$dir/disturbance")" = 2 ] || { cat "$dir/disturbance.err"; give_up "disturbance measured nothing"; }
grep -q '"agent_samples":[1-9]' "$dir/disturbance" || { cat "$dir/disturbance"; give_up "the agent of disturbance did not sample"; }
# Killed without warning: whoever follows is told, the next agent takes what came meanwhile.
"$wine" taskkill /f /pid "$first" >/dev/null 2>&1 || give_up "the agent cannot be killed"
wait "$agent" 2>/dev/null || true
wait "$following" 2>/dev/null || true
grep -q 'the agent stopped' "$dir/follow.err" || { cat "$dir/follow.err"; give_up "who follows does not notice the end"; }
! capctl status > "$dir/said" 2>&1 && grep -q 'no agent is running' "$dir/said" || { cat "$dir/said"; give_up "the dead agent is said to run"; }
sed 3d "$dir/whole.csv" > "$dir/fourth.tmp" && mv "$dir/fourth.tmp" "$dir/logs/river-pass4.csv"
"$wine" "$dir/capd.exe" run --config "Z:$dir/capd.toml" > "$dir/out" 2> "$dir/err" &
agent=$!
for _ in $(seq 120); do capctl passes --json | grep -q '"pass":{"value":"4".*"verdict":"clean"' && break; sleep 0.5; done
capctl passes --json | grep -q '"pass":{"value":"4".*"verdict":"clean"' || give_up "after a kill nothing is taken"
[ "$(pid)" != "$first" ] || give_up "the dead agent answers"
kill "$agent" 2>/dev/null || true
wait "$agent" 2>/dev/null || true
agent=
# What this Wine answers, recorded: the same is seen when it is replayed on Linux.
capd_said() { "$wine" "$dir/capd.exe" --config "Z:$dir/capd.toml" "$@"; }
capd_said check --record "Z:$dir/wine.txtar" > "$dir/said" 2>&1 || { cat "$dir/said"; give_up "the machine cannot be recorded"; }
[ "$(tail -n 10 "$dir/wine.txtar" | grep -cE '^(works|does not|not there) ')" = 10 ] || give_up "the recording does not end in ten lines"
CAPD_RECORDING=$dir/wine.txtar go test -count=1 -v ./sysinfo -run TestReplayOfThis > "$dir/said" && grep -q -- "--- PASS: TestReplayOfThis" "$dir/said" || { cat "$dir/said"; false; } || give_up "the recording shows something else on Linux"
go() { GOOS=windows command go "$@"; }
# Cards that are hot, by libraries of ours in the place of Windows': one that says so itself, one
# whose clock falls near the temperature that the graphics kernel tells. The agent samples while
# other things are tried; then a pass comes that was recorded meanwhile.
system=$WINEPREFIX/drive_c/windows/system32
for library in nvml pdh kmt powrprof kernel; do x86_64-w64-mingw32-gcc -shared -o "$dir/$library.dll" "sysinfo/testdata/$library.c"; done
cp "$dir/nvml.dll" "$dir/pdh.dll" "$dir/powrprof.dll" "$system/"
for library in kmt kernel; do cp "$dir/$library.dll" "$system/$library-stand-in.dll"; done
efficiency="-X capd.example/internal/efficiency.library=kernel-stand-in.dll"
export EFFICIENCY_FILE="Z:$dir/efficient"
go build -ldflags "-X capd.example/internal/cli.version=v99.0.0 -X capd.example/sysinfo/winsys.graphicsLibrary=kmt-stand-in.dll $efficiency" -o "$dir/next/" ./cmd/...
mkdir "$dir/hot" && sed 's/"wine"/"hot"/; s/"data"/"hot\/data"/; s/"logs"/"hot\/logs"/; s/= 20/= 12/' "$dir/capd.toml" | iconv -f UTF-8 -t UTF-16LE > "$dir/hot.toml"
NVML_HOT=1 WINEDLLOVERRIDES="$WINEDLLOVERRIDES;pdh,powrprof=n" "$wine" "$dir/next/capd.exe" run --config "Z:$dir/hot.toml" > "$dir/hot.out" 2> "$dir/hot.err" &
agent=$!
until_said '"message":"watching' "$dir/hot.err"
hot_since=$SECONDS
go test -c -o "$dir/control.test.exe" ./control
"$wine" "$dir/control.test.exe" -test.v > "$dir/control" 2>&1 && [ "$(grep -cE -- '--- PASS: TestPipe(IsAConn|IsOfItsUserAlone|OfAnotherUser) ' "$dir/control")" = 3 ] || { cat "$dir/control"; give_up "the control channel fails"; }
# Decisions about what this Wine lacks, on invented answers: files of a synchronising service, a
# classic console.
go test -c -o "$dir/watcher.test.exe" ./watcher
"$wine" "$dir/watcher.test.exe" -test.v -test.run 'TestKinds|TestOnlyUser|TestSynchronisedFolder|TestShortName|TestFileID|TestProbe' > "$dir/said" 2>&1 && [ "$(grep -c -- '^--- PASS' "$dir/said")" = 6 ] || { cat "$dir/said"; give_up "logs in a synchronised folder"; }
go test -c -o "$dir/cli.test.exe" ./internal/cli
"$wine" "$dir/cli.test.exe" -test.v -test.run 'TestClassicConsole|TestClicks' > "$dir/said" 2>&1 && [ "$(grep -c -- '^--- PASS' "$dir/said")" = 2 ] || { cat "$dir/said"; give_up "a classic console"; }
go test -c -o "$dir/cardusers.test.exe" ./sysinfo/cardusers
PDH_STAND_IN=1 WINEDLLOVERRIDES="$WINEDLLOVERRIDES;pdh=n" "$wine" "$dir/cardusers.test.exe" -test.v -test.run TestCountersStandIn > "$dir/counters" 2>&1 || { cat "$dir/counters"; exit 1; }
grep -q -- '--- PASS: TestCountersStandIn' "$dir/counters" || { cat "$dir/counters"; give_up "the counters were not asked"; }
go test -c -o "$dir/sensor.test.exe" ./sysinfo/sensor
PDH_STAND_IN=1 POWRPROF_STAND_IN=1 WINEDLLOVERRIDES="$WINEDLLOVERRIDES;pdh,powrprof=n" "$wine" "$dir/sensor.test.exe" -test.v -test.run "StandIn|TestRatesHere|TestIfRowLayout" > "$dir/boost" 2>&1 && [ "$(grep -cE -- '--- PASS: Test(Boost|Clocks)StandIn' "$dir/boost")" = 2 ] || { cat "$dir/boost"; give_up "a boost that falls is not seen"; }
go test -c -o "$dir/host.test.exe" ./plugins/host
"$wine" "$dir/host.test.exe" -test.v > "$dir/held" 2>&1 && grep -q -- '--- PASS: TestJobHoldsAll' "$dir/held" && grep -q -- '--- PASS: TestAccessLists' "$dir/held" || { cat "$dir/held"; give_up "validators' children are not held"; }
go test -c -ldflags "$efficiency" -o "$dir/efficiency.test.exe" ./internal/efficiency
"$wine" "$dir/efficiency.test.exe" -test.v > "$dir/said" 2>&1 && grep -q -- '--- PASS: TestStandIn' "$dir/said" || { cat "$dir/said"; give_up "the efficiency class is not asked for"; }
rm "$dir/efficient"
while [ $((SECONDS - hot_since)) -lt 15 ]; do sleep 0.5; done
head -n 1441 "$dir/whole.csv" > "$dir/hot.tmp" && mv "$dir/hot.tmp" "$dir/hot/logs/forge-pass1.csv"
until_said '^BAD pass 1 of forge' "$dir/hot.out"
hot=$("$wine" "$dir/capctl.exe" --config "Z:$dir/hot.toml" passes --json | tr -d '\r')
for want in 'graphics card 0 reported heat or a hardware slowdown' \
  'clock of the graphics card 1 fell by .* under steady load at 9[45] degrees C' 'clock of the graphics card 2 fell by .* under steady load at 9[45] degrees C'; do
  grep -q "$want" <<< "$hot" || { echo "$hot"; give_up "a hot card is not told: $want"; }
done
WINEDLLOVERRIDES="$WINEDLLOVERRIDES;powrprof=n" "$wine" "$dir/next/capctl.exe" --config "Z:$dir/hot.toml" system show | tr -d '\r' > "$dir/said"
grep -q 'processor.policy .*Quiet bench' "$dir/said" && grep -q 'power.mode .*high performance' "$dir/said" || { cat "$dir/said"; give_up "the power plan or the mode in force is not told"; }
hot_pid=$("$wine" "$dir/capctl.exe" --config "Z:$dir/hot.toml" status --json | sed -n 's/.*"pid":\([0-9]*\).*/\1/p')
grep -v "^$hot_pid " "$dir/efficient" | grep -q ' on' || { cat "$dir/efficient" || true; give_up "validators do not run efficiently"; }
kill "$agent" 2>/dev/null || true
wait "$agent" 2>/dev/null || true
agent=
go test -c -o "$dir/framelog.test.exe" ./framelog
"$wine" "$dir/framelog.test.exe" -test.v -test.run TestReadLogMayGo > "$dir/shared" 2>&1 && grep -q -- '--- PASS: TestReadLogMayGo' "$dir/shared" || { cat "$dir/shared"; give_up "a log that is read cannot be renamed"; }
# Installing: the user's Run key, the programs in their place, an agent that runs; and back.
run_key='HKCU\Software\Microsoft\Windows\CurrentVersion\Run'
approved='HKCU\Software\Microsoft\Windows\CurrentVersion\Explorer\StartupApproved\Run'
capd() { "$wine" "$dir/capd.exe" --config "Z:$dir/capd.toml" "$@" > "$dir/said" 2>&1; }
value() { "$wine" reg query "$1" /v capd 2>/dev/null | tr -d '\r' | grep capd; }
"$wine" reg add "$approved" /v capd /t REG_BINARY /d 030000000000000000000000 /f >/dev/null 2>&1
capd install --dry-run && ! value "$run_key" || { cat "$dir/said"; give_up "install --dry-run changes something"; }
capd install || { cat "$dir/said"; give_up "it cannot be installed"; }
value "$run_key" | grep -q 'Programs.capd.capd.exe.* keep --log' || { cat "$dir/said"; give_up "the Run key does not start it"; }
! value "$approved" || give_up "it stays switched off"
programs=$(echo "$WINEPREFIX"/drive_c/users/*/AppData/Local/Programs/capd)
[ -f "$programs/capd.exe" ] && [ -f "$programs/capctl.exe" ] || give_up "the programs are not in their place"
for _ in $(seq 60); do grep -q '"message":"watching' "$dir/data/agent.log" 2>/dev/null && break; sleep 0.5; done
grep -q '"message":"watching' "$dir/data/agent.log" || give_up "the installed agent does not run"
# An upgrade: the agent of before ends by itself, the new one answers.
before=$(pid)
"$wine" "$dir/next/capd.exe" --config "Z:$dir/capd.toml" install > "$dir/said" 2>&1 || { cat "$dir/said"; give_up "it cannot be upgraded"; }
grep -q 'capd v99.0.0 runs' "$dir/said" && [ "$(pid)" != "$before" ] || { cat "$dir/said"; give_up "the upgrade does not run"; }
cmp -s "$dir/next/capctl.exe" "$programs/capctl.exe" || give_up "capctl was not upgraded"
capd uninstall --now || { cat "$dir/said"; give_up "it cannot be uninstalled"; }
! value "$run_key" && [ ! -e "$programs/capd.exe" ] && [ ! -e "$programs/capctl.exe" ] || { cat "$dir/said"; give_up "it cannot be uninstalled"; }
[ -f "$dir/data/passes.db" ] && [ -f "$dir/capd.toml" ] || give_up "uninstalling took the data"
capd uninstall && grep -q 'nothing to do' "$dir/said" || { cat "$dir/said"; give_up "a second uninstall does something"; }
echo "the Windows programs do the main job"
