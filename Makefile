# Longlane: what one can do here. `make` alone lists it.

SHELL := /bin/sh
GO ?= go

# Debian keeps mosquitto in a directory that is on root's PATH alone.
export PATH := $(PATH):/usr/local/sbin:/usr/sbin:/sbin

# The packages whose tests start processes, brokers and ports of their own; they are tested after the fast ones, so
# that a plain mistake shows in seconds. TEST is what `make test` tests.
SLOW := ./cmd/... ./gateway/board/... ./gateway/daemon/... ./gateway/mqtt/...
TEST ?= ./...
FUZZTIME ?= 10s
GOTESTFLAGS ?=
# Go ends a package's tests after 10 minutes; under the race detector, on two slow cores, the process tests need more.
TIMEOUT ?= 25m
# Process tests wait most of the time: three at once leave two cores idle still. Under the race detector they do not, and there Go's own number holds.
PARALLEL ?= 3

.DEFAULT_GOAL := help
.PHONY: help build demo setup test check lint race fuzz bench bench-go clean

help: ## list the targets
	@awk -F ':.*## ' '/^[a-z]+:.*## / { printf "  make %-8s %s\n", $$1, $$2 }' $(MAKEFILE_LIST)

build: ## build bin/longlane
	$(GO) build -trimpath -o bin/longlane ./cmd/longlane

demo: build ## the main job in 30 seconds; needs nothing but Go
	bin/longlane demo --for 30s

setup: ## make sure of mosquitto, nginx, aplay, promtool, prometheus, chromium, openssl, python3, strace; install them as root or with sudo
	@.ci/setup

# The second line tests everything; Go does not repeat what the first has shown already.
test: setup ## every test, fast packages first; then what none of them proves
	@fast=$$($(GO) list $(TEST)) || exit 1; slow=$$($(GO) list $(SLOW) 2>/dev/null); \
	for p in $$slow; do fast=$$(printf '%s\n' $$fast | grep -vxF "$$p"); done; \
	if [ -n "$$fast" ]; then $(GO) test -timeout $(TIMEOUT) -parallel $(PARALLEL) $(GOTESTFLAGS) $$fast; fi
	$(GO) test -timeout $(TIMEOUT) -parallel $(PARALLEL) $(GOTESTFLAGS) $(TEST)
	@grep '^NOT PROVEN: ' testdata/not-proven.txt

check: setup lint race ## format, vet, staticcheck, then every test under the race detector

lint:
	@bad=$$(gofmt -l .); if [ -n "$$bad" ]; then \
		printf 'not formatted (run: gofmt -w FILE):\n%s\n' "$$bad"; exit 1; fi
	$(GO) vet ./...
	$(GO) tool staticcheck ./...

race:
	$(GO) test -race -timeout $(TIMEOUT) $(GOTESTFLAGS) ./...

# Finds every native fuzz target by itself. A search that finds none is a failure. The time for minimizing is
# bounded too, since by default it may take longer than the search. Go's fuzzing sometimes fails at its own time limit
# ("context deadline exceeded", no failing input): that target is then run once more.
fuzz: ## each fuzz target for FUZZTIME (10s)
	@n=0; for p in $$($(GO) list ./...); do \
		list=$$($(GO) test -list '^Fuzz' "$$p") || { printf '%s\n' "$$list"; exit 1; }; \
		for f in $$(printf '%s\n' "$$list" | grep '^Fuzz'); do \
			n=$$((n + 1)); echo "== $$p $$f"; \
			run="$(GO) test -run ^\$$ -fuzz ^$$f\$$ -fuzztime $(FUZZTIME) -fuzzminimizetime 10x $$p"; \
			if out=$$($$run 2>&1); then continue; fi; \
			case $$out in *'Failing input written'*) ;; *'context deadline exceeded'*) if out=$$($$run 2>&1); then continue; fi ;; esac; \
			printf '%s\n' "$$out"; exit 1; \
		done; \
	done; \
	echo "$$n fuzz targets"; [ $$n -gt 0 ]

# BENCHFLAGS: such as --only alert,chain --rounds 3 --markdown
bench: ## each figure beside the floor it is held against (some minutes; wants a quiet machine)
	@$(GO) run ./cmd/bench $(BENCHFLAGS)

bench-go: ## the plain Go benchmarks, of single functions
	$(GO) test -run '^$$' -bench . -benchmem ./...

clean: ## remove what was built
	rm -rf bin
