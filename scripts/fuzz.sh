#!/usr/bin/env bash
# Fuzzing of everything that reads what comes from outside.
#
#   scripts/fuzz.sh [SECONDS]                       each target for so long (default 20), one after the other
#   scripts/fuzz.sh --build DIR                     programs with all targets, for a machine without Go
#   DIR/fuzz.sh --run DIR OUT [SECONDS [AT_ONCE]]   there: each target for so long (default 60), so many at a time
#                                                   (default: one per processor), each with one worker
#
# The plain form keeps new inputs in Go's cache and failing ones under testdata/fuzz. --run
# leaves under OUT what each target said (*.log), the inputs it found (corpus/) and those that
# fail (failures/PACKAGE/testdata/fuzz/TARGET/, to be copied into the tree), and prints a line
# for each target; its status is 1 where one failed. FUZZ_PARALLEL sets the workers of the
# plain form (default 1).
set -euo pipefail

# targets lists "folder target" of this tree.
targets() { grep -rn --include='*_test.go' -oE '^func Fuzz[A-Za-z0-9_]*' . | sed -E 's|^\./(.*)/[^/]*_test\.go:[0-9]+:func (.*)$|\1 \2|' | sort -u; }

# last prints how many inputs a log says were tried and how many of them were new.
last() { grep -oE 'execs: [0-9]+|new interesting: [0-9]+' "$1" | awk '/execs/ {n = $2} /interesting/ {i = $3} END {printf "%d inputs, %d new", n, i}'; }

# ended reports whether a log's only failure is that the time was over in the middle of an
# input, which Go counts as one.
ended() { grep -q 'context deadline exceeded' "$1" && ! grep -q 'Failing input written' "$1"; }

case ${1:-} in
--build)
  dir=${2:?usage: scripts/fuzz.sh --build DIR}
  cd "$(dirname "$0")/.."
  mkdir -p "$dir"
  dir=$(cd "$dir" && pwd)
  targets | grep -v '^cmd/' >"$dir/targets" # those of the programs build programs first
  cut -d' ' -f1 "$dir/targets" | sort -u | while read -r folder; do
    program=$(tr / - <<<"$folder").test
    CGO_ENABLED=0 go test -c -trimpath -ldflags '-s -w' -fuzz=. -o "$dir/$program" "./$folder"
    mkdir -p "$dir/$folder"
    [ ! -d "$folder/testdata" ] || cp -r "$folder/testdata" "$dir/$folder/"
  done
  # Targets that begin with recorded logs look for them from the root.
  mkdir -p "$dir/testdata"
  cp -r testdata/. "$dir/testdata/"
  cp go.mod scripts/fuzz.sh "$dir/"
  echo "$(wc -l <"$dir/targets") targets, $(du -sh "$dir" | cut -f1); pack it with: tar -C $dir -cf - . | zstd -19 -T0"
  ;;
--run)
  dir=$(cd "${2:?usage: fuzz.sh --run DIR OUT [SECONDS [AT_ONCE]]}" && pwd)
  mkdir -p "${3:?usage: fuzz.sh --run DIR OUT [SECONDS [AT_ONCE]]}"
  out=$(cd "$3" && pwd)
  seconds=${4:-60} once=${5:-$(nproc)}
  one() {
    folder=$1 target=$2 dir=$3 out=$4 seconds=$5
    name=$(tr / - <<<"$folder")
    log="$out/$name.$target.log"
    # A copy of its own: a failing input is written below the folder it runs in.
    work="$out/work/$name.$target/$folder"
    mkdir -p "$work" "$out/corpus/$folder"
    cp "$dir/go.mod" "$out/work/$name.$target/"
    ln -sfn "$dir" "$work/capd.example" # where a test looks for the tree, which was left behind
    [ ! -d "$dir/$folder/testdata" ] || cp -r "$dir/$folder/testdata" "$work/"
    status=0
    (cd "$work" && "$dir/$name.test" -test.run '^$' -test.fuzz "^$target\$" -test.fuzztime "${seconds}s" -test.parallel 1 -test.fuzzminimizetime 2s \
      -test.fuzzcachedir "$out/corpus/$folder") >"$log" 2>&1 || status=$?
    ended "$log" && status=0
    verdict=ok
    [ $status = 0 ] || verdict=FAILED
    if [ $status != 0 ] && [ -d "$work/testdata/fuzz/$target" ]; then
      mkdir -p "$out/failures/$folder/testdata/fuzz/$target"
      for input in "$work/testdata/fuzz/$target"/*; do
        [ -e "$dir/$folder/testdata/fuzz/$target/$(basename "$input")" ] || cp "$input" "$out/failures/$folder/testdata/fuzz/$target/"
      done
    fi
    rm -rf "$out/work/$name.$target"
    printf '%-7s %-28s %-18s %s\n' "$verdict" "$folder" "$target" "$(last "$log")"
    [ $status = 0 ]
  }
  export -f one last ended
  status=0
  xargs -P "$once" -L 1 bash -c 'one "$0" "$1" "'"$dir"'" "'"$out"'" '"$seconds" <"$dir/targets" || status=1
  rmdir "$out/work" 2>/dev/null || true
  exit $status
  ;;
*)
  seconds=${1:-20}
  cd "$(dirname "$0")/.."
  status=0
  while read -r folder target; do
    log=$(mktemp)
    verdict=ok
    go test -run '^$' -fuzz "^$target\$" -fuzztime "${seconds}s" -parallel "${FUZZ_PARALLEL:-1}" -fuzzminimizetime 2s "./$folder" >"$log" 2>&1 || ended "$log" || { verdict=FAILED status=1; cat "$log"; }
    printf '%-7s %-28s %-18s %s\n' "$verdict" "$folder" "$target" "$(last "$log")"
    rm -f "$log"
  done < <(targets)
  exit $status
  ;;
esac
