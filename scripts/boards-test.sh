#!/usr/bin/env bash
# SPDX-License-Identifier: Apache-2.0
# The core of the test suite, and an hour of the demo, as small boards run
# them: arm64, and 32-bit arm (GOARM=6) on the processors of the weakest boards,
# under Debian's user-mode emulators. And the whole program's numbers there,
# with those of the demo's hour among them, against a PC's.
#
#   make boards                        all of it
#   scripts/boards-test.sh [arm64] [arm1176] [cortex-a7]
set -euo pipefail
cd "$(dirname "$0")/.."

# Not the packages whose tests talk to servers of this machine's own kind.
core=(./model/air ./model/cure ./model/coat ./model/shop ./model/pot ./model/tomlfile ./model/job
  ./sensors ./sensors/w1 ./sensors/guarded ./sensors/kernel ./sensors/sht4x ./sensors/shopsim
  ./history ./alerts ./heat)
boards=("$@")
[ ${#boards[@]} -gt 0 ] || boards=(arm64 arm1176 cortex-a7)
for p in qemu-arm-static qemu-aarch64-static curl python3; do
  command -v $p >/dev/null || { echo "boards-test.sh: wants $p: scripts/test-deps.sh installs it" >&2; exit 1; }
done
tmp=$(mktemp -d)
trap 'rm -rf "$tmp"' EXIT

echo "== the whole program's numbers against a PC's"
CUREWRIGHT_WHOLE_PROGRAM=1 go test -count=1 -run SameNumbers -v ./packaging | grep -E '^(---|ok|FAIL| .*:)'

for b in "${boards[@]}"; do
  began=$SECONDS
  case $b in
    arm64) goarch=arm64 goarm= run="qemu-aarch64-static" ;;
    arm1176) goarch=arm goarm=6 run="qemu-arm-static -cpu arm1176" ;;
    cortex-a7) goarch=arm goarm=6 run="qemu-arm-static -cpu cortex-a7" ;;
    *) echo "boards-test.sh: $b: not one of arm64, arm1176, cortex-a7" >&2; exit 2 ;;
  esac
  echo "== $b: the core of the suite"
  # Left out: long comparisons with reference numerics and long statistics. That
  # the numbers are those of a PC is a test of its own (packaging). Tests that
  # start their own program again, to kill it, are told through what; fewer
  # rounds of those, and of flipped bits.
  CGO_ENABLED=0 GOOS=linux GOARCH=$goarch GOARM=$goarm CUREWRIGHT_EMULATOR=$run CUREWRIGHT_FAULTS=${FAULTS:-4} \
    go test -short -p 2 -timeout 20m -skip 'Scipy|Calibrated|TwoEnergies|Coverage' -exec "$run" "${core[@]}"

  echo "== $b: an hour of the demo, live"
  CGO_ENABLED=0 GOOS=linux GOARCH=$goarch GOARM=$goarm go build -trimpath -o "$tmp/curewright" ./cmd/curewright
  $run "$tmp/curewright" demo --listen 127.0.0.1:0 --speed 120 >"$tmp/out" 2>"$tmp/err" &
  pid=$!
  for _ in $(seq 300); do grep -q 'http://' "$tmp/out" && break; sleep 0.2; done
  url=$(grep -o 'http://127.0.0.1:[0-9]*' "$tmp/out" | head -1)
  [ -n "$url" ] || { cat "$tmp/err"; echo "no demo on $b" >&2; exit 1; }
  now() { curl -sS "$url/api/v1/snapshot" | python3 -c 'import json,sys; print(json.load(sys.stdin)["at"])'; }
  start=$(now)
  for _ in $(seq 90); do
    sleep 1
    [ $(($(date -d "$(now)" +%s) - $(date -d "$start" +%s))) -lt 3600 ] || break
  done
  hour=$(($(date -d "$(now)" +%s) - $(date -d "$start" +%s)))
  [ "$hour" -ge 3600 ] || { echo "$b: only $hour simulated seconds in 90" >&2; kill $pid; exit 1; }
  curl -sS "$url/readyz" | grep -q '"ready": *true' || { curl -sS "$url/readyz"; echo "$b: not ready" >&2; kill $pid; exit 1; }
  curl -sS "$url/api/v1/coats" | python3 -c '
import json, sys
coats = json.load(sys.stdin)["coats"]
assert coats, "no coat"
for c in coats:
    print("  ", c.get("id"), c.get("state"), c.get("alpha"))
'
  kill -TERM $pid
  wait $pid || { cat "$tmp/err"; echo "$b: does not stop cleanly" >&2; exit 1; }
  echo "== $b: held, in $((SECONDS - began)) s"
done
