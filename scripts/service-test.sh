#!/usr/bin/env bash
# SPDX-License-Identifier: Apache-2.0
# Boots a real systemd on a throw-away copy of this system (an overlay in
# memory, its own processes and network), installs the Debian package there and
# sees that the unit does what it says: up as its own user without rights,
# started anew after a crash and after a hang, not after a bad configuration,
# stopped cleanly. Wants root on Debian and `make dist` before it.
#
#   scripts/service-test.sh [dist/curewright_VERSION_amd64.deb]
set -euo pipefail
cd "$(dirname "$0")/.."

if [ "${1:-}" = --boot ]; then # inside the new namespaces, to become process 1
  deb=$2 work=$3
  mount -t tmpfs -o size=600m tmpfs "$work"
  mkdir "$work"/{upper,work,root}
  mount -t overlay overlay -o "lowerdir=/,upperdir=$work/upper,workdir=$work/work" "$work/root"
  root=$work/root
  mount -t proc proc "$root/proc"
  mount -t tmpfs tmpfs "$root/run"
  mount -t tmpfs tmpfs "$root/tmp"
  mount -t tmpfs -o mode=755 tmpfs "$root/dev"
  for d in null zero full random urandom tty; do cp -a "/dev/$d" "$root/dev/"; done
  mkdir "$root"/dev/{pts,shm}
  mount -t devpts devpts "$root/dev/pts"
  mount -t sysfs -o ro sysfs "$root/sys"
  mount -t cgroup2 cgroup2 "$root/sys/fs/cgroup"
  rm -f "$root"/etc/systemd/system/*.wants/* # this machine's own services stay out
  cp "$deb" "$root/tmp/package.deb"
  chroot "$root" dpkg -i /tmp/package.deb
  touch "$work/booting"
  exec chroot "$root" /usr/bin/env -i container=test PATH=/usr/sbin:/usr/bin /lib/systemd/systemd --system --unit=multi-user.target
fi

deb=${1:-$(ls dist/curewright_*_"$(dpkg --print-architecture)".deb)}
[ "$(id -u)" = 0 ] || { echo "service-test.sh: wants root" >&2; exit 1; }
work=$(mktemp -d)
unshare --mount --mount-proc --pid --fork --uts --ipc --net --cgroup "$0" --boot "$(realpath "$deb")" "$work" >"$work.log" 2>&1 &
holder=$!
init=
cleanup() {
  [ -z "$init" ] || kill -KILL "$init" 2>/dev/null || true # all in its namespace die with it
  wait "$holder" 2>/dev/null || true
  rm -rf "$work" "$work.log"
}
trap cleanup EXIT
fail() { echo "service-test.sh: $*" >&2; within journalctl --no-pager -n 30 -u curewright >&2 || cat "$work.log" >&2; exit 1; }
say() { echo "ok: $*"; }
within() { nsenter -t "$init" -m -p -u -i -n -C chroot "$work/root" /usr/bin/env -i PATH=/usr/sbin:/usr/bin:/sbin:/bin "$@"; }
prop() { within systemctl show --property="$1" --value curewright; }
# until_true SECONDS COMMAND...
until_true() {
  local n=$(($1 * 5)); shift
  for _ in $(seq "$n"); do "$@" >/dev/null 2>&1 && return; sleep 0.2; done
  return 1
}
is() { [ "$(prop "$1")" = "$2" ]; }
booted() { init=$(pgrep -P "$holder" | head -1) && [ -n "$init" ] && [ "$(cat "/proc/$init/comm")" = systemd ] && within systemctl show --property=Version; }

until_true 60 booted || fail "no systemd"
until_true 60 is ActiveState active || fail "the service is not up: $(prop ActiveState)"
case $(prop StatusText) in *probe*) ;; *) fail "says nothing of itself: $(prop StatusText)" ;; esac
pid=$(prop MainPID)
[ "$(within stat -c %U "/proc/$pid")" = curewright ] || fail "runs as another user"
status=$(within cat "/proc/$pid/status")
for want in 'CapBnd:	0000000000000000' 'CapEff:	0000000000000000' 'NoNewPrivs:	1' 'Seccomp:	2'; do
  grep -qF "$want" <<<"$status" || fail "not so: $want"
done
within curewright doctor --json >"$work.doctor" || true
grep -q 'the daemon runs and every part makes progress' "$work.doctor" || { cat "$work.doctor"; fail "the doctor sees no daemon"; }
rm -f "$work.doctor"
say "up as its own user without a capability: $(prop StatusText)"

# The same cage with another tenant, who tries the bars.
within tee /bars.py >/dev/null <<'PY'
import ctypes, os, pathlib
libc = ctypes.CDLL(None, use_errno=True)
def refused(what, f):
    try:
        f()
    except OSError:
        return
    raise SystemExit("allowed: " + what)
def call(name, *args):
    if getattr(libc, name)(*args) < 0:
        raise OSError(ctypes.get_errno(), name)
# By number, as Go calls it: the C library's function is another call. It asks
# the kernel and sets nothing.
call("syscall", {"x86_64": 159, "aarch64": 171}[os.uname().machine], ctypes.create_string_buffer(512))
call("uname", ctypes.create_string_buffer(512))
refused("setting the clock", lambda: call("settimeofday", ctypes.create_string_buffer(16), None))
refused("mounting", lambda: call("mount", b"tmpfs", b"/var/lib/curewright", b"tmpfs", 0, None))
refused("writing /etc", lambda: pathlib.Path("/etc/curewright/x").write_text("x"))
refused("writing /usr", lambda: pathlib.Path("/usr/x").write_text("x"))
refused("looking into homes", lambda: os.listdir("/root") and None)
refused("a raw socket", lambda: __import__("socket").socket(17, 3))
pathlib.Path("/var/lib/curewright/bars").write_text("held")
PY
within sed -e 's|^ExecStart=.*|ExecStart=/usr/bin/python3 /bars.py|; s|^Type=.*|Type=oneshot|; /^Restart/d; /^Watchdog/d' \
  /usr/lib/systemd/system/curewright.service | within tee /etc/systemd/system/bars.service >/dev/null
within systemctl daemon-reload
within systemctl start bars || { within journalctl --no-pager -n 20 -u bars; fail "the cage does not hold, or holds too much"; }
within grep -q held /var/lib/curewright/bars || fail "the tenant did not get through"
say "may ask for the clock's state; may not set it, mount, write elsewhere, look into homes"

within systemctl kill --signal=KILL --kill-whom=main curewright
until_true 30 is NRestarts 1 || fail "not started anew after a kill"
until_true 30 is ActiveState active || fail "not up again"
say "started anew after kill -9"

# A hang: nothing answers, nothing exits. A shorter watchdog saves two minutes.
within mkdir -p /run/systemd/system/curewright.service.d
within sh -c 'printf "[Service]\nWatchdogSec=3\nRestartSec=1\nTimeoutStopSec=3\n" >/run/systemd/system/curewright.service.d/test.conf'
within systemctl daemon-reload
within systemctl restart curewright
sleep 8
is NRestarts 0 || fail "a sound daemon does not feed a watchdog of 3 s"
within systemctl kill --signal=STOP --kill-whom=main curewright
until_true 60 is NRestarts 1 || fail "not started anew after a hang"
until_true 30 is ActiveState active || fail "not up again after a hang"
say "the watchdog is fed by a sound daemon, and ends a hung one"

within sh -c 'printf "[web]\nlisten = 3\n" >/etc/curewright/curewright.toml'
within systemctl restart curewright 2>/dev/null && fail "a bad configuration starts"
until_true 10 is ActiveState failed || fail "a bad configuration is tried again: $(prop ActiveState)"
is ExecMainStatus 2 || fail "exit $(prop ExecMainStatus)"
said=$(within journalctl --no-pager -u curewright)
grep -q 'curewright.toml:2:10: web.listen' <<<"$said" || fail "the journal does not name the line"
say "a bad configuration fails at once, with its line in the journal"

within sh -c ': >/etc/curewright/curewright.toml'
within systemctl restart curewright || fail "does not start again"
within systemctl stop curewright
is Result success || fail "stopping: $(prop Result)"
is ExecMainStatus 0 || fail "stopping: exit $(prop ExecMainStatus)"
say "stopped cleanly"
