#!/usr/bin/env bash
# SPDX-License-Identifier: Apache-2.0
# Installs what the tests need and is not there yet: real servers, a browser,
# reference numerics and emulators from Debian, reference libraries from npm.
# Nothing is started: the tests start what they need on free loopback ports.
set -euo pipefail
cd "$(dirname "$0")/.."

packages=(
  prometheus                    # prometheus, promtool
  prometheus-alertmanager       # alertmanager, amtool
  prometheus-node-exporter
  victoria-metrics
  mosquitto mosquitto-clients
  chromium fonts-dejavu-core
  poppler-utils                 # pdftoppm, for the printed record
  python3-scipy python3-numpy
  libsundials-dev
  qemu-user-static
  qemu-system-arm kmod gcc-arm-linux-gnueabihf make e2fsprogs # an emulated board; its kernel: board-parts.sh
  systemd                       # systemd-analyze; nothing of it is started
  lintian gnupg man-db groff-base zsh fish # what is handed out, and its manual and completions
  curl gcc libc6-dev
)
sudo=
[ "$(id -u)" = 0 ] || sudo=sudo
missing=()
for p in "${packages[@]}"; do
  dpkg-query -W -f='${Status}' "$p" 2>/dev/null | grep -q 'install ok installed' || missing+=("$p")
done
if [ "${#missing[@]}" -gt 0 ]; then
  echo "installing for the tests: ${missing[*]}"
  # Debian starts a server when it is installed; the tests want none running.
  policy=/usr/sbin/policy-rc.d
  made=
  if [ ! -e "$policy" ]; then
    printf '#!/bin/sh\nexit 101\n' | $sudo tee "$policy" >/dev/null
    $sudo chmod +x "$policy"
    made=1
  fi
  trap '[ -z "$made" ] || $sudo rm -f "$policy"' EXIT
  $sudo apt-get update -qq </dev/null
  $sudo env DEBIAN_FRONTEND=noninteractive apt-get install -y -qq --no-install-recommends "${missing[@]}" </dev/null >/dev/null
fi

if ! command -v npm >/dev/null && command -v apt-get >/dev/null && { [ -z "$sudo" ] || command -v sudo >/dev/null; }; then
  echo "installing for the tests: nodejs npm"
  $sudo env DEBIAN_FRONTEND=noninteractive apt-get install -y -qq --no-install-recommends nodejs npm </dev/null >/dev/null
fi
if command -v npm >/dev/null; then
  if ! cmp -s internal/oracles/package-lock.json internal/oracles/node_modules/.lock-used; then
    (cd internal/oracles && npm ci --no-audit --no-fund --silent </dev/null)
    cp internal/oracles/package-lock.json internal/oracles/node_modules/.lock-used
  fi
elif [ "${CI:-}" = true ]; then
  echo "npm not found: the reference libraries can't be installed" >&2
  exit 1
else
  echo "npm not found: checks against psychrolib and axe-core will be skipped"
fi
# A machine that is no Debian goes without the emulated board; CI does not.
scripts/board-parts.sh >/dev/null || [ "${CI:-}" != true ]
go mod download
for m in bench/table dashboards/boards/gen internal/oracles scripts/tools; do (cd "$m" && go mod download); done
(cd packaging/release && GOFLAGS=-mod=mod go mod download github.com/goreleaser/nfpm/v2 github.com/CycloneDX/cyclonedx-go)
