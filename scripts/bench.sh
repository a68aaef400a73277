#!/usr/bin/env bash
# SPDX-License-Identifier: Apache-2.0
# Every measure beside its peer, in one run on one machine; the table goes into
# BENCHMARKS.md. Arguments go on to the program: -short, -only c,g, -raw FOLDER.
set -euo pipefail
cd "$(dirname "$0")/.."
go -C bench/table build -o ../../bin/bench-table .
exec bin/bench-table "$@" </dev/null
