#!/usr/bin/env bash
# SPDX-License-Identifier: Apache-2.0
# Sees to it that there is a Go new enough for go.mod. Where this machine's is
# too old, the version that go.mod names is fetched by the old one the way Go
# hands out its own toolchains: as a module, its sum checked against the
# checksum database. Where there is none, Debian's is installed for that.
#
#   scripts/go.sh          installs what is missing, says so, or says what to do
#   scripts/go.sh --path   prints what to put before PATH; nothing if all is well
set -euo pipefail
cd "$(dirname "$0")/.."

want=$(sed -n 's/^go //p' go.mod)
dir=${XDG_CACHE_HOME:-${HOME:-/root}/.cache}/curewright/go$want
die() { echo "go.sh: $*" >&2; exit 1; }

# new_enough asks Go what it is itself, outside this module: within, an old one
# stops and a newer one fetches another.
new_enough() {
  local have
  have=$(cd / && GOTOOLCHAIN=local "$1" version 2>/dev/null | grep -oE 'go[0-9]+(\.[0-9]+)+' | head -1) || return 1
  [ "$(printf '%s\n' "$want" "${have#go}" | sort -V | head -1)" = "$want" ]
}

if command -v go >/dev/null && command -v gofmt >/dev/null && new_enough go; then
  exit 0
fi
if [ "${1:-}" = --path ]; then
  printf '%s:' "$dir/bin"
  exit 0
fi

if ! command -v go >/dev/null; then
  sudo=
  [ "$(id -u)" = 0 ] || sudo=sudo
  help="install Go $want or newer (https://go.dev/doc/install), or on Debian, as root, any older one, which then fetches it: apt-get install golang-go ca-certificates"
  command -v apt-get >/dev/null || die "no Go here and no apt-get to install it with: $help"
  [ -z "$sudo" ] || command -v sudo >/dev/null || die "no Go here, and not root to install it: $help"
  echo "go.sh: no Go here: installing Debian's"
  { $sudo apt-get update -qq && $sudo env DEBIAN_FRONTEND=noninteractive apt-get install -y -qq --no-install-recommends golang-go ca-certificates; } </dev/null >/dev/null ||
    die "Debian's Go can't be installed: $help"
  ! new_enough go || exit 0
fi

arch=$(cd / && go env GOHOSTARCH)
module=golang.org/toolchain@v0.0.1-go$want.$(cd / && go env GOHOSTOS)-$arch
echo "go.sh: $(cd / && GOTOOLCHAIN=local go version | cut -d' ' -f3) is older than go$want: fetching that into $dir"
mkdir -p "$(dirname "$dir")"
tmp=$(mktemp -d "$dir.XXXXXX")
trap 'rm -rf "$tmp"' EXIT
(cd / && GOTOOLCHAIN=local GO111MODULE=on GOMODCACHE=$tmp GOFLAGS=-modcacherw go mod download "$module" </dev/null) ||
  die "go$want can't be fetched; install it by hand: https://go.dev/doc/install"
got=$tmp/$module
# A module holds no second go.mod and no rights to run: put back what was taken.
chmod +x "$got"/bin/* "$got"/pkg/tool/*/*
for m in "$got/src/_go.mod" "$got/src/cmd/_go.mod"; do
  [ ! -e "$m" ] || mv "$m" "${m%_go.mod}go.mod"
done
rm -rf "$dir"
mv "$got" "$dir"
new_enough "$dir/bin/go" || die "what was fetched into $dir does not run"
