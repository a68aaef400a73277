#!/usr/bin/env bash
# SPDX-License-Identifier: Apache-2.0
# Lists what the program and its tests are made of: version, licence, what is
# newer, and the vulnerabilities that are known of it. The Go vulnerability
# database comes as the Go module that it is kept in, so that nothing but the
# configured module proxy is asked. Without it the listing says so.
#
#   scripts/audit.sh                     writes packaging/AUDIT.md
#   VULNDB=v0.0.0-... scripts/audit.sh   with that version of the database
set -euo pipefail
cd "$(dirname "$0")/.."
go=${GO:-go}
# As what is handed out is built.
GOTOOLCHAIN=$(cat packaging/toolchain)
export GOTOOLCHAIN
vulndb=golang.org/x/vulndb
check=golang.org/x/vuln/cmd/govulncheck@v1.9.0
work=$(mktemp -d "${TMPDIR:-/tmp}/curewright-audit-XXXXXX")
trap 'rm -rf "$work"' EXIT

"$go" build -o "$work/audit" ./packaging/audit
of= found=()
# The newest; where the proxy has no list of it, the one that was used before.
for v in ${VULNDB:-latest v0.0.0-20261105234957-e22db6528018}; do
  mkdir -p "$work/empty"
  if (cd "$work/empty" && "$go" mod download -json "$vulndb@$v") >"$work/vulndb.json" 2>"$work/why"; then
    dir=$(sed -n 's/^\t"Dir": "\(.*\)",\?$/\1/p' "$work/vulndb.json")
    of="$vulndb $(sed -n 's/^\t"Version": "\(.*\)",\?$/\1/p' "$work/vulndb.json")"
    break
  fi
done
if [ -n "$of" ] && GOBIN=$work "$go" install "$check"; then
  "$work/audit" -database "$work/db" -osv "$dir/data/osv"
  for where in . dashboards/boards/gen; do
    out=$work/found-${#found[@]}.json
    echo "looking through $where" >&2
    # It ends with 3 when it finds something; that is in its answer.
    (cd "$where" && GOGC=50 "$work/govulncheck" -db "file://$work/db" -test -format json ./...) >"$out"
    found+=("$out")
  done
else
  of=
  echo "no vulnerability database: $(tail -1 "$work/why")" >&2
fi
"$work/audit" -of "$of" "${found[@]}" >"$work/AUDIT.md"
mv "$work/AUDIT.md" packaging/AUDIT.md
sed -n '/^## Known/,/^## Go/p' packaging/AUDIT.md
