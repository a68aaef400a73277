#!/usr/bin/env bash
# SPDX-License-Identifier: Apache-2.0
# Runs every fuzz test for a bounded number of inputs: what `make test` does,
# about three minutes on two cores. For longer there is fuzz.sh. What breaks a
# test is left under its testdata/fuzz, and every later run tries it first.
#
#   scripts/fuzz-short.sh              all
#   scripts/fuzz-short.sh ./history    those of some packages
#
# Inputs are counted and not seconds: at the end of a time the fuzzing engine
# can call its own deadline a failure, and a count finds the same on a slow
# machine as on a quick one.
set -euo pipefail
cd "$(dirname "$0")/.."
go=${GO:-go}
count=${FUZZCOUNT:-20000}

# Tests that start more than a function for each input get fewer of them.
inputs() {
  case $1 in
    FuzzSalvage | FuzzTyped) echo $((count / 40 + 1)) ;;
    FuzzDrivers | FuzzAddress | FuzzCredentials | FuzzConfig | FuzzHost | FuzzParseSheet | FuzzParseJob) echo $((count / 5 + 1)) ;;
    *) echo "$count" ;;
  esac
}

work=$(mktemp -d "${TMPDIR:-/tmp}/curewright-fuzz-XXXXXX")
trap 'rm -rf "$work"' EXIT
files=$(git ls-files -co --exclude-standard '*_test.go' | xargs grep -lE '^func Fuzz' | sort)
if [ $# -gt 0 ]; then
  only=$(printf '%s\n' "$@" | sed 's,^\./,,; s,/*$,/,')
  files=$(grep -F "$only" <<<"$files")
fi
bad=0 n=0
for dir in $(xargs -n1 dirname <<<"$files" | sort -u); do
  # One program a package, whatever the number of its tests.
  "$go" test -c -fuzz=. -o "$work/fuzz.test" "./$dir"
  for name in $(grep -hoE '^func Fuzz[A-Za-z0-9_]*' "$dir"/*_test.go | awk '{print $2}' | sort -u); do
    n=$((n + 1)) start=$SECONDS
    mkdir -p "$work/cache"
    if (cd "$dir" && "$work/fuzz.test" -test.run '^$' -test.fuzz "^$name\$" -test.fuzztime "$(inputs "$name")x" \
      -test.fuzzminimizetime 1000x -test.parallel 2 -test.fuzzcachedir "$work/cache" -test.paniconexit0 </dev/null) >"$work/log" 2>&1; then
      echo "ok  $dir $name: $(inputs "$name") inputs, $((SECONDS - start)) s"
    else
      bad=1
      echo "FAIL $dir $name"
      cat "$work/log"
    fi
  done
done
[ "$n" -gt 0 ] || { echo "fuzz-short.sh: no fuzz test found" >&2; exit 1; }
echo "$n fuzz tests"
exit "$bad"
