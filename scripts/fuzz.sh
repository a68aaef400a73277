#!/usr/bin/env bash
# Runs every fuzz test for FUZZTIME (default one minute) each.
set -euo pipefail
cd "$(dirname "$0")/.."
time=${FUZZTIME:-1m}
grep -rlE '^func Fuzz' --include=*_test.go . | xargs -n1 dirname | sort -u | while read -r dir; do
  grep -hoE '^func (Fuzz[A-Za-z0-9_]*)' "$dir"/*_test.go | awk '{print $2}' | sort -u | while read -r name; do
    echo "== $dir $name"
    go test "$dir" -run '^$' -fuzz "^$name\$" -fuzztime "$time" </dev/null
  done
done
