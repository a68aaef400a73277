#!/bin/sh
# SPDX-License-Identifier: Apache-2.0
# Copies what the page stands on from npm's packages, as dashboards/web/npm pins
# them, into the tree: whole files, with a line that names the version and the
# licence beside them. The one change: hooks name their neighbour by its file,
# because a browser has no module names of its own.
set -eu
cd "$(dirname "$0")/../dashboards/web/npm"
npm ci --no-audit --no-fund --silent </dev/null
to=../assets/vendor
v() { sed -n 's/.*"version": "\([^"]*\)".*/\1/p' "node_modules/$1/package.json" | head -1; }
{ echo "/*! preact (v$(v preact)) */"; sed '/^\/\/# sourceMappingURL/d' node_modules/preact/dist/preact.mjs; } > $to/preact.js
{ echo "/*! preact/hooks (v$(v preact)) */"; sed '/^\/\/# sourceMappingURL/d; s/from"preact"/from".\/preact.js"/' node_modules/preact/hooks/dist/hooks.mjs; } > $to/preact-hooks.js
cp node_modules/preact/LICENSE $to/preact.LICENSE.txt
cp node_modules/preact/LICENSE $to/preact-hooks.LICENSE.txt
cp node_modules/uplot/dist/uPlot.iife.min.js $to/uplot.js
cp node_modules/uplot/LICENSE $to/uplot.LICENSE.txt
