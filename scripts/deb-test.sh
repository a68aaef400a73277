#!/usr/bin/env bash
# SPDX-License-Identifier: Apache-2.0
# Installs, upgrades, runs, removes and purges the Debian package on a
# throw-away copy of this system (an overlay in memory): what it leaves behind
# must be nothing but the record of work and the daemon's user. Wants root on
# Debian and `make dist` before it.
#
#   scripts/deb-test.sh [dist/curewright_VERSION_amd64.deb]
set -euo pipefail
cd "$(dirname "$0")/.."

if [ "${1:-}" != --inside ]; then
  deb=${1:-$(ls dist/curewright_*_"$(dpkg --print-architecture)".deb)}
  [ "$(id -u)" = 0 ] || { echo "deb-test.sh: wants root" >&2; exit 1; }
  exec unshare --mount --mount-proc --pid --fork --uts --ipc --net "$0" --inside "$(realpath "$deb")"
fi
deb=$2

# A network of its own: nothing here can reach, or be reached from, anywhere.
ip link set lo up 2>/dev/null || true
work=$(mktemp -d)
mount -t tmpfs -o size=600m tmpfs "$work"
mkdir "$work"/{upper,work,root}
mount -t overlay overlay -o "lowerdir=/,upperdir=$work/upper,workdir=$work/work" "$work/root"
root=$work/root
mount -t proc proc "$root/proc"
mount -t tmpfs tmpfs "$root/run"
mkdir "$root/run/lock"
mount -t tmpfs tmpfs "$root/tmp"
mount --bind /dev "$root/dev"
cp "$deb" "$root/tmp/package.deb"
within() { chroot "$root" /usr/bin/env -i PATH=/usr/sbin:/usr/bin:/sbin:/bin DEBIAN_FRONTEND=noninteractive "$@"; }
fail() { echo "deb-test.sh: $*" >&2; exit 1; }
say() { echo "ok: $*"; }
# What is on the disk, but for dpkg's own notes and what is not on a disk.
snapshot() {
  (cd "$work/upper" && find . \( -path ./var/lib/dpkg -o -path ./var/log -o -path ./var/cache -o -path ./tmp -o -path ./run \) -prune -o \( -type f -o -type l -o -type c \) -print | LC_ALL=C sort)
}
# The daemon's user outlives the package, as Debian wants it.
users='^\./etc/(passwd|group|shadow|gshadow|subuid|subgid)-?$|^\./etc/\.pwd\.lock$'

before=$(snapshot)
within dpkg -i /tmp/package.deb >"$work/log" 2>&1 || { cat "$work/log"; fail "does not install"; }
grep -q ':/var/lib/curewright:/usr/sbin/nologin$' <<<"$(within getent passwd curewright)" || fail "no user: $(within getent passwd curewright)"
for g in i2c gpio; do grep -qw "$g" <<<"$(within id -nG curewright)" || fail "curewright is not in the group $g"; done
[ -L "$root/etc/systemd/system/multi-user.target.wants/curewright.service" ] || fail "not switched on"
say "installed, user and groups there, starts with the system"
within systemd-analyze verify --man=no --recursive-errors=no /usr/lib/systemd/system/curewright.service 2>&1 | grep curewright && fail "systemd does not like the unit"
within curewright --version
within curewright check --config /etc/curewright/curewright.toml >/dev/null || fail "the shipped configuration is not good"

# The service's own command line, as its user, in its folder.
within install -d -o curewright -g curewright -m 750 /var/lib/curewright
command=$(sed -n 's/^ExecStart=//p' "$root/usr/lib/systemd/system/curewright.service")
within setpriv --reuid curewright --regid curewright --init-groups env STATE_DIRECTORY=/var/lib/curewright $command >"$work/out" 2>"$work/err" &
pid=$!
for _ in $(seq 100); do grep -q 'Open http' "$work/out" && break; sleep 0.2; done
grep -q 'Open http' "$work/out" || { cat "$work/err"; fail "the daemon does not come up"; }
kill -TERM "$(pgrep -P $pid -x curewright || echo $pid)"
wait $pid || { cat "$work/err"; fail "the daemon does not stop cleanly"; }
[ "$(within stat -c %U /var/lib/curewright/history.db)" = curewright ] || { ls -la "$root/var/lib/curewright"; fail "the store is not in its folder"; }
say "the daemon runs as its user and stops cleanly"

# An upgrade leaves the person's settings and choice alone.
echo '# mine' >>"$root/etc/curewright/curewright.toml"
within systemctl disable curewright.service 2>/dev/null
within dpkg -i /tmp/package.deb >"$work/log" 2>&1 || { cat "$work/log"; fail "does not upgrade"; }
grep -q '# mine' "$root/etc/curewright/curewright.toml" || fail "the upgrade took the configuration"
[ ! -L "$root/etc/systemd/system/multi-user.target.wants/curewright.service" ] || fail "the upgrade switched it on again"
say "upgraded; settings and the choice not to start it are kept"

within dpkg -r curewright >"$work/log" 2>&1 || { cat "$work/log"; fail "can't be removed"; }
left=$(comm -13 <(echo "$before") <(snapshot) | grep -vE "$users" | grep -v '^\./var/lib/curewright/' || true)
[ "$left" = ./etc/curewright/curewright.toml ] || fail "removing leaves: $left"
within dpkg -P curewright >"$work/log" 2>&1 || { cat "$work/log"; fail "can't be purged"; }
left=$(comm -13 <(echo "$before") <(snapshot) | grep -vE "$users" | grep -v '^\./var/lib/curewright/' || true)
[ -z "$left" ] || fail "purging leaves: $left"
[ -s "$root/var/lib/curewright/history.db" ] || fail "purging took the record of work"
grep -q 'record of work is kept' "$work/log" || fail "purging does not say that the record is kept"
say "removed and purged; what is left is the record of work"
