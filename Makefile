# SPDX-License-Identifier: Apache-2.0
# The two commands to know are `make demo` and `make test`.
GO ?= go
# Where this machine's Go is too old or missing, the one that scripts/go.sh sees to.
export PATH := $(shell scripts/go.sh --path)$(PATH)
BIN := bin/curewright
VERSION ?= $(shell scripts/version.sh)
COMMIT := $(shell git rev-parse HEAD 2>/dev/null)
LDFLAGS := -s -w -X main.version=$(VERSION) -X main.commit=$(COMMIT)

# Modules of their own: what tests and tools need is not in the program's go.mod.
MODULES := bench/table internal/oracles

# Tests are compiled as the program is, without C and without paths, so that what both
# need is compiled once on a fresh machine. Only the race detector wants C.
check unit: export CGO_ENABLED = 0
check unit: export GOFLAGS := $(GOFLAGS) -trimpath
# More packages at a time than processors: several mostly wait for what they started.
PACKAGES := -p 4

.PHONY: all go demo build test check unit race deps bench clean fuzz fuzz-short audit faults boards board newcomer dist

all: build

go:
	@scripts/go.sh

build: go
	CGO_ENABLED=0 $(GO) build -trimpath -ldflags '$(LDFLAGS)' -o $(BIN) ./cmd/curewright

# The whole daemon over a simulated October weekend: no hardware, no
# configuration. The address is printed; stop it with Ctrl-C.
demo: build
	$(BIN) demo

# Installs what the tests need, then runs them all.
test: deps check unit race

deps: go
	scripts/test-deps.sh

check:
	@files=$$(gofmt -l $$(git ls-files '*.go')); [ -z "$$files" ] || { echo "not gofmt-clean:"; echo "$$files"; exit 1; }
	cd scripts/tools && $(GO) build -o ../../bin/staticcheck honnef.co/go/tools/cmd/staticcheck
	$(GO) vet ./... && bin/staticcheck ./... && $(GO) mod tidy -diff
	@for m in $(MODULES); do (set -x; cd $$m && $(GO) vet ./... && $(CURDIR)/bin/staticcheck ./... && $(GO) mod tidy -diff) || exit 1; done

# Property tests draw the same here each time, or a change would be blamed for
# what chance found; `make fuzz` and `go test` by hand draw anew.
RAPID := $(GO) list -f '{{$$p := .ImportPath}}{{range .TestImports}}{{if eq . "pgregory.net/rapid"}}{{$$p}}{{"\n"}}{{end}}{{end}}{{range .XTestImports}}{{if eq . "pgregory.net/rapid"}}{{$$p}}{{"\n"}}{{end}}{{end}}' ./... | grep . | sort -u
unit:
	$(GO) test $(PACKAGES) -timeout 60m $$($(RAPID)) -rapid.seed=1
	$(GO) test $(PACKAGES) -timeout 60m $$($(GO) list ./... | grep -vxF "$$($(RAPID))")
	@for m in $(MODULES); do (set -x; cd $$m && $(GO) test -timeout 60m ./...) || exit 1; done
	cd packaging/release && GOFLAGS="$$GOFLAGS -mod=mod" $(GO) test .

# The race detector is slow on the store's translated C: only packages with
# goroutines of their own, in their short form, and not those whose work is
# done by other programs (a generator) or by internal/daemon.
race:
	$(GO) test $(PACKAGES) -race -short -timeout 60m $$($(GO) list ./sensors/... ./alerts/... ./heat/... ./history/... ./dashboards/... ./internal/... | grep -v -e /boards -e /daysheet -e /record)

# Programs for the boards, their sums, bills of materials, Debian packages and
# a folder for apt; KEY=… has gpg sign that. DEVELOPERS.md has how to release.
dist: go
	cd packaging/release && $(GO) run . -out ../../dist -repository $(if $(KEY),-key '$(KEY)') $(TARGETS)

bench:
	scripts/bench.sh

fuzz:
	scripts/fuzz.sh

# Every parser for a counted number of inputs: about three minutes. What was
# found is a seed since, which `go test` tries.
fuzz-short:
	scripts/fuzz-short.sh

# Versions, licences and known vulnerabilities of what is inside, into
# packaging/AUDIT.md. It asks the module proxy.
audit: go
	scripts/audit.sh

clean:
	rm -rf bin dist

# Kills, damage, full cards, wrong clocks, dead probes and servers, at full
# size: about a quarter of an hour. RELIABILITY.md has the last run.
faults:
	scripts/faults.sh

# The core of the suite and an hour of the demo on emulated small boards, and
# their numbers against a PC's.
boards: go
	scripts/boards-test.sh

# The program on emulated boards: a real kernel's I2C, 1-wire, GPIO, watchdog
# and clock chip, every way in which a heater's guard may end, and the power cut
# under load. About two hours; RELIABILITY.md has the last run.
CUTS ?= 100
ROUNDS ?= 50
board: go
	scripts/board-parts.sh --debian
	CUREWRIGHT_CUTS=$(CUTS) CUREWRIGHT_ROUNDS=$(ROUNDS) $(GO) test ./internal/board -count=1 -v -parallel 6 -timeout 6h

# What a newcomer meets: an empty Debian, a clone, the commands of README.md.
# Wants root and debootstrap.
newcomer:
	scripts/newcomer-test.sh
