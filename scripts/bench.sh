#!/usr/bin/env bash
# Every benchmark beside its peer, in one run on one machine. Prints Go's
# benchmark lines; BENCHMARKS.md holds the ratios with these commands.
set -euo pipefail
cd "$(dirname "$0")/.."
run() { echo "\$ $*"; "$@" </dev/null; echo; }
# The integral beside SUNDIALS CVODE, interleaved.
run go test ./bench -run '^$' -bench . -benchtime 20x
# An estimate and a pot beside the same work in scipy.
run go test ./model/job -run '^$' -bench 'Estimate' -benchmem
run go test ./model/pot -run '^$' -bench .
run go test -v -run Scipy ./model/pot
run go test ./model/plan -run '^$' -bench .
run go test ./model/job -run '^$' -bench Year -benchtime 1x
# Forecast scores beside two baselines.
run go test ./model/shop -run Beats -v
# The store.
run go test ./history -run '^$' -bench .
run go test ./history -run Budget -v
# The whole daemon beside the node exporter.
run go test ./cmd/curewright -run '^$' -bench 'StartYear' -benchtime 20x
run go test ./cmd/curewright -run '^$' -bench 'Daemon$' -benchtime "${DAEMON_SECONDS:-120}x" -timeout 30m
run go test ./cmd/curewright -run '^$' -bench 'Written' -benchtime "${WRITTEN_SECONDS:-300}x" -timeout 60m
# The page's server.
run go test ./dashboards/web -run '^$' -bench . -benchmem
