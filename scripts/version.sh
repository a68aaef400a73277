#!/usr/bin/env bash
# SPDX-License-Identifier: Apache-2.0
# The version of this tree. VERSION names the release that is being made; the
# commit that carries its tag (v0.1.0) is that release, any other comes before
# it: 0.1.0-dev.20261128+gcc2d196, with .dirty where files were changed.
set -euo pipefail
cd "$(dirname "$0")/.."
version=$(<VERSION)
if ! git rev-parse --git-dir >/dev/null 2>&1; then
  echo "$version" # a release's source without its history
  exit 0
fi
dirty=
[ -z "$(git status --porcelain --untracked-files=no)" ] || dirty=.dirty
if [ -z "$dirty" ] && git tag --points-at HEAD | grep -qxF "v$version"; then
  echo "$version"
else
  echo "$version-dev.$(TZ=UTC git log -1 --format=%cd --date=format-local:%Y%m%d)+g$(git rev-parse --short=8 HEAD)$dirty"
fi
