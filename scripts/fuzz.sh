#!/usr/bin/env bash
# SPDX-License-Identifier: Apache-2.0
# Runs every fuzz test for FUZZTIME (default one minute) each. What breaks a
# test is left under its testdata/fuzz, and every later run tries it first.
set -euo pipefail
cd "$(dirname "$0")/.."
time=${FUZZTIME:-1m}
log=$(mktemp "${TMPDIR:-/tmp}/curewright-fuzz-XXXXXX")
trap 'rm -f "$log"' EXIT
bad=0
while read -r dir; do
  while read -r name; do
    echo "== $dir $name"
    if go test "$dir" -run '^$' -fuzz "^$name\$" -fuzztime "$time" </dev/null >"$log" 2>&1; then
      tail -n 2 "$log"
    elif grep -q 'context deadline exceeded' "$log" && ! grep -q 'Failing input written' "$log"; then
      # The engine's own end of time, on a busy machine: nothing was found.
      echo "ended late, with nothing found"
    else
      cat "$log"
      bad=1
    fi
  done < <(grep -hoE '^func (Fuzz[A-Za-z0-9_]*)' "$dir"/*_test.go | awk '{print $2}' | sort -u)
done < <(grep -rlE '^func Fuzz' --include=*_test.go . | grep -v node_modules | xargs -n1 dirname | sort -u)
exit "$bad"
