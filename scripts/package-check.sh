#!/usr/bin/env bash
# Makes all packages twice, in different folders, for another home and another umask, and
# compares them byte by byte. Then the deb and the rpm are installed, upgraded and removed in
# folders of their own, and lintian reads the deb:
#   scripts/package-check.sh
# It needs git, dpkg, and where they are installed rpm and lintian. Of the machine nothing is
# changed.
set -euo pipefail
cd "$(dirname "$0")/.."
dir=$(mktemp -d)
trap 'chmod -R u+w "$dir"; rm -rf "$dir"' EXIT
say() { printf 'packages: %s\n' "$*"; }
fail() { printf 'packages: %s\n' "$*" >&2; exit 1; }

# A later release is a commit more. Both have tags, as releases do.
git clone -q . "$dir/one"
in_one() { git -C "$dir/one" -c user.name=t -c user.email=t@capd.example -c tag.gpgSign=false "$@"; }
in_one tag v0.90.1
(cd "$dir/one" && go run ./release --out "$dir/first")
git clone -q "$dir/one" "$dir/another folder"
mkdir "$dir/home"
(
  umask 077
  cd "$dir/another folder"
  # The same caches, or all would be fetched and compiled once more.
  GOCACHE=$(go env GOCACHE) GOMODCACHE=$(go env GOMODCACHE) HOME=$dir/home USER=other go run ./release --out "$dir/second"
)
diff -r "$dir/first" "$dir/second" || fail "two builds differ"
(cd "$dir/first" && sha256sum --quiet --check SHA256SUMS)
say "$(find "$dir/first" -type f | wc -l) files are the same twice, $(du -sh "$dir/first" | cut -f1)"

in_one commit -q --allow-empty -m "A later one"
in_one tag v0.90.2
(cd "$dir/one" && go run ./release --only linux-amd64 --out "$dir/later")

root=$dir/root
user=$root/home/somebody
mkdir -p "$root/var/lib/dpkg/"{info,updates,triggers} "$user/.config/capd" "$user/logs"
touch "$root/var/lib/dpkg/"{status,available}
echo 'watch = "logs" # changed by hand' >"$user/.config/capd/capd.toml"
before=$(find "$user" -type f -exec sha256sum {} +)
# Only whether there is any change matters here: dependencies and scripts there are none.
deb() { dpkg --root="$root" --force-not-root --force-architecture --log=/dev/null "$@" >"$dir/dpkg.txt" 2>&1 || { cat "$dir/dpkg.txt"; fail "dpkg $*"; }; }
runs() { # FOLDER VERSION
  local said
  for program in capd capctl; do
    said=$("$1/usr/bin/$program" --version)
    case $said in *"$2"*) ;; *) fail "$program says '$said', not $2" ;; esac
  done
}
unchanged() { [ "$before" = "$(find "$user" -type f -exec sha256sum {} +)" ] || fail "$1: a file of the user's was changed"; }
nothing_left() { # FOLDER WHAT
  local left
  left=$(find "$1/usr" "$1/etc" \( -type f -o -type l \) 2>/dev/null || :)
  [ -z "$left" ] || fail "$2 left $left"
}
deb --install "$dir"/first/*-linux-amd64.deb; runs "$root" 0.90.1
deb --install "$dir"/later/*-linux-amd64.deb; runs "$root" 0.90.2; unchanged "upgrade of the deb"
deb --remove capd; nothing_left "$root" "removing the deb"
deb --install "$dir"/later/*-linux-amd64.deb
deb --purge capd; nothing_left "$root" "purging the deb"; unchanged "removal of the deb"
say "deb: installed, upgraded, removed, purged; the user's files are unchanged"

if command -v rpm >/dev/null; then
  root=$dir/rpm
  mkdir "$root"
  # Debian's rpm wants to be told that the system has another list of packages.
  rpms() { rpm --root "$root" "$@" >"$dir/rpm.txt" 2>&1 || { cat "$dir/rpm.txt"; fail "rpm $*"; }; }
  rpms --initdb
  rpms --force-debian --nodeps --install "$dir"/first/*-linux-amd64.rpm; runs "$root" 0.90.1
  rpms --force-debian --nodeps --upgrade "$dir"/later/*-linux-amd64.rpm; runs "$root" 0.90.2
  rpms --force-debian --nodeps --erase capd; nothing_left "$root" "removing the rpm"
  say "rpm: installed, upgraded, removed"
else
  say "rpm: NOT tried, there is no rpm here"
fi
if command -v lintian >/dev/null; then
  lintian --fail-on error "$dir"/first/*-linux-amd64.deb
  say "lintian: no errors"
else
  say "lintian: NOT tried, it is not installed"
fi
