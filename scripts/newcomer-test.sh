#!/usr/bin/env bash
# SPDX-License-Identifier: Apache-2.0
# What somebody meets who has just got a machine: an empty Debian with git, make
# and the certificates of this one, a clone, and then the commands of README.md
# as they are written there. Debian comes from where this machine's own comes
# (or from CUREWRIGHT_MIRROR), and what this machine needs to reach anything
# (proxies, certificates) is handed on. Wants root, debootstrap, curl, python3,
# 7 GB under TMPDIR for the tests (2 GB without) and port 8374.
#
#   scripts/newcomer-test.sh            make demo, the first coat, make test
#   scripts/newcomer-test.sh demo       make demo and the first coat: some minutes
#   scripts/newcomer-test.sh test       make test
set -euo pipefail
cd "$(dirname "$0")/.."

say() { printf '%s  %s\n' "$(date -u +%T)" "$*"; }
fail() { echo "newcomer-test.sh: $*" >&2; exit 1; }

if [ "${1:-}" != --inside ]; then
  [ "$(id -u)" = 0 ] || fail "wants root"
  for p in debootstrap curl python3; do command -v $p >/dev/null || fail "wants $p"; done
  what=("$@")
  [ ${#what[@]} -gt 0 ] || what=(demo test)
  work=$(mktemp -d "${TMPDIR:-/tmp}/curewright-newcomer-XXXXXX")
  # Its mounts and processes are in name spaces of their own and end with them,
  # whatever happens.
  trap 'rm -rf --one-file-system "$work"' EXIT
  trap 'exit 130' INT TERM
  unshare --mount --pid --fork --kill-child --mount-proc "$0" --inside "$work" "${what[@]}" &
  wait $!
  exit
fi
work=$2
shift 2
root=$work/root
mkdir "$root"

# The machine's own sources and its ways out.
codename=$(. /etc/os-release && echo "$VERSION_CODENAME")
if [ -n "${CUREWRIGHT_MIRROR:-}" ]; then
  sources="deb $CUREWRIGHT_MIRROR $codename main"
else
  sources=$(apt-get indextargets --format 'deb $(REPO_URI) $(RELEASE) $(COMPONENT)' 'Created-By: Packages' 'Origin: Debian')
fi
mirror=$(awk -v c="$codename" '$3 == c { print $2; exit }' <<<"$sources")
[ -n "$mirror" ] || fail "no source of $codename in apt's configuration: set CUREWRIGHT_MIRROR"
env=()
while IFS= read -r v; do env+=("$v"); done < <(env |
  grep -iE '^((https?|no|all|ftp)_proxy|GO(PROXY|SUMDB|NOSUMDB|PRIVATE|NOPROXY|INSECURE)|npm_config_(registry|proxy|https_proxy|cafile))=' || true)
if command -v go >/dev/null; then
  for v in GOPROXY GOSUMDB GONOSUMDB GOPRIVATE GONOPROXY GOINSECURE; do
    x=$(go env "$v")
    [ -z "$x" ] || env+=("$v=$x")
  done
fi
if command -v npm >/dev/null; then
  for v in registry proxy https-proxy; do
    x=$(npm config get "$v")
    [ -z "$x" ] || [ "$x" = null ] || env+=("npm_config_${v//-/_}=$x")
  done
fi
certs=/etc/ssl/certs/ca-certificates.crt
env+=("NODE_EXTRA_CA_CERTS=$certs")
[ "${CI:-}" != true ] || env+=(CI=true)

say "an empty $codename"
debootstrap --variant=minbase --include=ca-certificates,git,make "$codename" "$root" "$mirror" >"$work/debootstrap" 2>&1 ||
  { tail -20 "$work/debootstrap"; fail "debootstrap"; }
echo "$sources" >"$root/etc/apt/sources.list"
apt-config dump | grep -E '^Acquire::(http|https|Check-|Retries)' >"$root/etc/apt/apt.conf.d/99machine" || true
cp /etc/resolv.conf /etc/hosts "$root/etc/"
cp /usr/local/share/ca-certificates/*.crt "$root/usr/local/share/ca-certificates/" 2>/dev/null || true
mount -t proc proc "$root/proc"
mount -t sysfs -o ro sysfs "$root/sys"
mount -t tmpfs -o mode=755 tmpfs "$root/dev"
for d in null zero full random urandom tty; do cp -a "/dev/$d" "$root/dev/"; done
mkdir "$root"/dev/{pts,shm}
mount -t devpts -o newinstance,ptmxmode=666 devpts "$root/dev/pts"
mount -t tmpfs tmpfs "$root/dev/shm"
ln -s /proc/self/fd "$root/dev/fd"
ln -s pts/ptmx "$root/dev/ptmx"
within() { chroot "$root" /usr/bin/env -i HOME=/root TERM=dumb PATH=/usr/local/sbin:/usr/local/bin:/usr/sbin:/usr/bin:/sbin:/bin "${env[@]}" "$@"; }
within update-ca-certificates >/dev/null 2>&1
for p in go npm gcc curl; do ! within sh -c "command -v $p" >/dev/null || fail "$p is there already: not an empty machine"; done
git clone -q --no-hardlinks . "$root/root/curewright"
if [ -n "${CUREWRIGHT_DATA:-}" ]; then
  cp -r "$CUREWRIGHT_DATA" "$root/root/data"
  env+=(CUREWRIGHT_DATA=/root/data)
fi
say "cloned $(git describe --always)"

# block HEADING are the commands of the fenced block under it in README.md.
block() {
  awk -v h="## $1" '$0 == h { on = 1; next } on && /^## / { exit } on && /^```/ { if (in_) exit; in_ = 1; next } in_' "$root/root/curewright/README.md" |
    sed 's/  *#.*//'
}
mapfile -t commands < <(block "Two commands")
[ ${#commands[@]} = 2 ] || fail "README.md has ${#commands[@]} commands under \"Two commands\""
command_of() { printf '%s\n' "${commands[@]}" | grep -x ".* $1" || fail "no command of README.md ends in $1"; }
# The time limit of a step that waits for another program, in fifths of a second.
patience=$((20 * 60 * 5))

newcomer_demo() {
  local c log=$work/demo.log pid url began=$SECONDS
  c=$(command_of demo)
  for _ in $(seq 300); do curl -s -o /dev/null http://127.0.0.1:8374/ || break; sleep 1; done
  say "\$ $c"
  set -m # a process group of its own, and Ctrl-C for all of it
  within sh -c "cd && cd curewright && $c" >"$log" 2>&1 </dev/null &
  pid=$!
  set +m
  for _ in $(seq $patience); do
    url=$(sed -nE 's|.*Open +(http://[^/]+/).*|\1|p' "$log")
    [ -z "$url" ] || break
    kill -0 $pid 2>/dev/null || { cat "$log"; fail "$c: ended"; }
    sleep 0.2
  done
  [ -n "$url" ] || { cat "$log"; fail "$c: no address in 20 minutes"; }
  say "address printed after $((SECONDS - began)) s: $url"
  curl -sSf "$url" | grep -qi '<!doctype html>' || fail "$url is no page"
  curl -sSf "${url}api/v1/snapshot" | python3 -c '
import json, sys
coats = json.load(sys.stdin)["result"]["coats"]
assert coats, "no coat"
for c in coats:
    print("         ", c["id"], c["state"], c["advice"])
' || fail "no coats at ${url}api/v1/snapshot"
  kill -INT -- -$pid
  for _ in $(seq 50); do kill -0 -- -$pid 2>/dev/null || break; sleep 0.2; done
  ! kill -0 -- -$pid 2>/dev/null || fail "$c: still running 10 s after Ctrl-C"
  wait $pid || true
  ! grep -iE 'panic|level=ERROR' "$log" || fail "$c: see above"
  say "page and coats answered, stopped by Ctrl-C"
}

# No network, no probe, no configuration: only loopback is there.
newcomer_first_coat() {
  local began=$SECONDS n
  [ -x "$root/root/curewright/bin/curewright" ] || within sh -c 'cd && cd curewright && make build' >/dev/null 2>&1
  mkdir -p "$work/first"
  { echo 'cd && cd curewright && export PATH=$PWD/bin:$PATH'
    echo 'curewright watch >/root/watch.log 2>&1 & pid=$!'
    echo 'for i in $(seq 100); do ! grep -q "http://" /root/watch.log || break; sleep 0.2; done'
    echo 'set -ex'
    block "The first coat"
    echo 'set +x; curewright coat list --json >/root/coats.json; kill -TERM $pid; wait $pid'
  } >"$root/root/first.sh"
  n=$(block "The first coat" | grep -c .)
  [ "$n" -ge 4 ] || fail "README.md has $n commands under \"The first coat\""
  export -f within
  unshare --net bash -c "ip link set lo up; $(declare -p root env); within bash /root/first.sh" >"$work/first.log" 2>&1 ||
    { cat "$work/first.log" "$root/root/watch.log"; fail "the first coat"; }
  cat "$work/first.log"
  python3 -c '
import json, sys
coats = json.load(open(sys.argv[1]))["coats"]
assert len(coats) == 1 and coats[0]["state"], coats
' "$root/root/coats.json" || fail "not one coat"
  say "a coat with no hardware, no configuration, no network: $((n + 1)) commands, $((SECONDS - began)) s"
}

newcomer_test() {
  local c began=$SECONDS
  c=$(command_of test)
  say "\$ $c"
  within sh -c "cd && cd curewright && $c" >"$work/test.log" 2>&1 </dev/null || {
    cp "$work/test.log" "${TMPDIR:-/tmp}/curewright-newcomer.log"
    grep -E '^(---|\s+---|FAIL|panic|make|.*_test.go:)' "$work/test.log" | tail -60
    fail "$c failed after $((SECONDS - began)) s; all that it said is in ${TMPDIR:-/tmp}/curewright-newcomer.log"
  }
  grep -vE '^(ok|\?) ' "$work/test.log" | tail -20
  say "$c: $(grep -c '^ok ' "$work/test.log") packages ok in $((SECONDS - began)) s"
}

for w in "$@"; do
  case $w in
    demo) newcomer_demo; newcomer_first_coat ;;
    test) newcomer_test ;;
    *) fail "$w: not one of demo, test" ;;
  esac
done
