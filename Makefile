# Needs Go 1.26, make and a C compiler (the race detector links with it).
GO ?= go
PKG := ./...
# Packages that take -update; go test refuses the flag in the others.
GOLDEN := ./station ./station/screen ./station/screen/desk ./cmd/panecal ./store/query ./store/export ./protocol
FUZZTIME ?= 60s
ATTEMPTS ?= 100000
SIZES ?= 100000 300000 1000000
VERSION := $(shell git describe --tags --always --dirty 2>/dev/null || echo unknown)

# A proof: its tests tell their figures, which are its last lines; one that is
# short, or none at all, is exit code 1.
prove = f=$$(mktemp) && code=0 && { PANECAL_FIGURES=$$f $(1) || code=1; } && { grep . $$f || { echo "no figure was told"; code=1; }; } && \
	{ ! grep -q ' short$$' $$f || code=1; } && rm -f $$f && exit $$code

.PHONY: build demo demo-kit test check race races cover bench accuracy requirement faults damage crash scale soak holds conform defects everywhere firmware kit-station fuzz mutants golden imports causes likelihoods products elsewhere cross sim hil tidy clean coverage tries again central

build:
	CGO_ENABLED=0 $(GO) build -trimpath -ldflags "-X main.version=$(VERSION)" -o bin/panecal ./cmd/panecal

## demo: simulated units on pseudo-terminals; with no terminal a batch without a screen.
demo: build
	bin/panecal demo

## demo-kit: the same batch with units of the C firmware kit; the verdicts are the same. Its name makes the test binary that program.
demo-kit:
	$(GO) test -c -o bin/panecal-kit ./cmd/panecal
	bin/panecal-kit

## test: everything that must hold before a change lands.
test: check race elsewhere

# Vet and staticcheck read the packages as they are built for the race detector,
# so that a computer without a build cache builds them once.
check:
	@test -z "$$(gofmt -l cmd limits protocol station store testdata)" || { echo "gofmt wants:"; gofmt -l cmd limits protocol station store testdata; exit 1; }
	$(GO) vet -race $(PKG) ./testdata/elsewhere ./testdata/figures ./testdata/mutants
	$(GO) build -o bin/ honnef.co/go/tools/cmd/staticcheck && GOFLAGS=-race bin/staticcheck $(PKG) ./testdata/elsewhere ./testdata/figures ./testdata/mutants

# A test binary would sleep a second at its end; scripts and pages run the
# program as it is built for people. Packages that wait for light leave the
# processors to others.
race: build
	GORACE=atexit_sleep_ms=10 PANECAL_PROGRAM=$(CURDIR)/bin/panecal $(GO) test -race -p 3 $(PKG) ./testdata/mutants

## races: scripts and pages once more, with the race detector in the program that they run.
races:
	@$(call prove,$(GO) test -race -count=1 -v -timeout 30m -run 'TestScripts|TestPages' ./cmd/panecal)

# The types of the program on systems that it is not tested on.
elsewhere:
	@$(GO) run ./testdata/elsewhere linux/arm64 windows/amd64 windows/arm64

## cross: builds the program for every system.
cross:
	@for t in linux/amd64 linux/arm64 windows/amd64 windows/arm64; do \
		echo "build $$t"; CGO_ENABLED=0 GOOS=$${t%/*} GOARCH=$${t#*/} $(GO) build -o /dev/null ./cmd/panecal || exit 1; done

cover:
	$(GO) test -cover $(PKG)

bench:
	$(GO) test -run '^$$' -bench . -benchmem $(PKG)

## accuracy: 10,000 simulated zones a case against the joint Cramér-Rao bound.
accuracy:
	@$(call prove,PANECAL_ACCURACY=full $(GO) test -run 'TestAccuracy|TestRetest' -v -count=1 -timeout 60m ./station/estimate ./cmd/panecal)

## requirement: leakage limits derived from the requirement, held against simulated units at 0.9 and 1.1 times.
requirement:
	@$(call prove,PANECAL_REQUIREMENT=full $(GO) test -run TestRequirementInUse -v -count=1 -timeout 60m ./cmd/panecal/proposing)

## coverage: how often tolerance intervals, bounds of indices and bounds of risks hold what they say; risks of limits on the worst zone against simulated production.
coverage:
	@$(call prove,PANECAL_COVERAGE=full $(GO) test -run Coverage -v -count=1 -timeout 60m ./limits/study ./limits/whatif)

## tries: limits tried on a simulated history of so many attempts, or on that in HISTORY, beside the same question asked of sqlite3; a million takes 12 GB.
tries: build
	@$(call prove,PANECAL_TRIED="$(or $(TRIED),1000000)" PANECAL_TRY="$(HISTORY)" PANECAL_PROGRAM="$(CURDIR)/bin/panecal" $(GO) test -run 'TestTryAtSize$$' -v -count=1 -timeout 120m ./cmd/panecal/desk)

## faults: what makes a capture bad, over all levels of light: good units accused, bad captures found.
faults:
	@$(call prove,PANECAL_FAULTS=full $(GO) test -run TestFaults -v -count=1 -timeout 180m ./station/estimate)

## causes: probable causes on 2,000 faulty and 2,000 healthy simulated units that the table has not learnt, and the experiments named; the false alarm of a comparison. 10 minutes.
causes:
	@$(call prove,PANECAL_CAUSES=2000 $(GO) test -run 'TestCauses|TestOutlierFalseAlarm' -v -count=1 -timeout 120m ./cmd/panecal/causes ./limits/study)

## products: product files made from simulated units of three products, a hundred times each: pulse, errors over u, offsets beside those by the true file. 15 minutes.
products:
	@$(call prove,PANECAL_PRODUCTS=full $(GO) test -run TestProducts -v -count=1 -timeout 120m ./cmd/panecal/productmake)

## likelihoods: learns the table of the causes anew, from 2,800 simulated units; the same table each time.
likelihoods:
	PANECAL_LEARN=$(CURDIR)/station/cause/likelihoods.csv $(GO) test -run TestLearn -v -count=1 -timeout 120m ./cmd/panecal/causes

## again: AGAIN attempts of a simulated month with all their raw captures, both products, computed again: the same to the last bit.
AGAIN ?= 400
again: build
	@rm -rf bin/month && bin/panecal sim --history bin/month --attempts $(AGAIN) --captures $(AGAIN) --days 30 --seed 8 > bin/month.json
	@for p in hopper-54 hopper-1; do bin/panecal --data bin/month reestimate --all --product $$p --json > bin/again.$$p || exit 1; done
	@awk -f testdata/figures/again.awk bin/again.hopper-54 bin/again.hopper-1

## damage: every bit of a small log flipped, and 10,000 larger damages; prints tried, found, harmless, missed.
damage:
	@$(call prove,PANECAL_DAMAGE=full $(GO) test -run 'Flip|Damage|Salvage' -v -count=1 -timeout 60m ./store)

## crash: 20,000 states that a power cut may leave, and 600 kills of the real program.
crash:
	@$(call prove,PANECAL_CRASH=full $(GO) test -run 'Power|Kill|Crash|InTurn|Worker' -v -count=1 -timeout 60m ./store ./cmd/panecal)

## scale: the log at many attempts: bytes, pages, times and memory of the whole program, on simulated histories of these sizes, one after the other, or on that in HISTORY, which is only read.
scale: build
	@$(call prove,PANECAL_SCALE="$(SIZES)" PANECAL_HISTORY="$(HISTORY)" PANECAL_PROGRAM="$(CURDIR)/bin/panecal" $(GO) test -run 'TestScale$$' -v -count=1 -timeout 300m ./store)

## soak: so many simulated attempts with faults, in virtual time.
soak:
	@$(call prove,PANECAL_SOAK=$(ATTEMPTS) $(GO) test -run Soak -v -count=1 -timeout 80m ./station ./station/runner)

## holds: 1,000 units put on hold by their window lot, run again, released; counts those that got past.
holds:
	@$(call prove,PANECAL_HOLDS=full $(GO) test -run 'TestContainment|TestHeldMeanwhile' -v -count=1 ./station)

## conform: a line a clause of SPEC.md, for the simulated unit and for the firmware kit's.
conform: build protocol/firmware/build/unit
	@bin/panecal conform --self --complete | tee bin/conform.simulated
	@bin/panecal conform --complete --start "protocol/firmware/build/unit count_bits=16 open=~kit-open~ close=~kit-close~ banner=ready>" --start "protocol/firmware/build/unit rows=1 columns=1 bins=0 kinds=6" | tee bin/conform.kit
	@awk -f testdata/figures/clauses.awk bin/conform.simulated bin/conform.kit

## defects: each of the kit's deliberate defects, caught by the clause that names it.
defects:
	@$(call prove,PANECAL_CONFORM=full $(GO) test -count=1 -v -timeout 60m -run TestKitDefects ./protocol/conform)

protocol/firmware/build/unit: $(wildcard protocol/firmware/kit/*.[ch] protocol/firmware/host/*.[ch])
	$(MAKE) -C protocol/firmware all

## central: the history of many stations on a PostgreSQL server of its own: 200 faults in turn, a company's backlog carried by 20 forwarders.
central: build
	@$(call prove,PANECAL_CENTRAL=full PANECAL_PROGRAM="$(CURDIR)/bin/panecal" $(GO) test -count=1 -v -timeout 90m ./store/central ./cmd/panecal/plantwide)

## firmware: the kit alone: its sizes, its defects, a minute of libFuzzer where clang is, two million changed lines under the sanitizers.
firmware: protocol/firmware/build/unit
	@$(call prove,PANECAL_FIRMWARE=full $(GO) test -count=1 -v -timeout 60m ./protocol/firmware)

## kit-station: the station's tests in virtual time with units of the C kit, and their verdicts against the simulated units'.
kit-station:
	@$(call prove,PANECAL_UNIT=both $(GO) test -race -count=1 -v -run 'TestStationOnKit|TestBothImplementations|TestDemoOnBothUnits' ./station/runner ./cmd/panecal)

## everywhere: every bit of a session flipped, a trouble every five milliseconds of an attempt, every effect failed in every way, 2,000 random days.
everywhere:
	@$(call prove,PANECAL_FULL=1 $(GO) test -count=1 -v -timeout 80m -run "TestEveryFlippedBit|TestTroubleAnywhere|TestRandomDays|TestEachEffectFails|TestCut|TestOneLight" ./protocol ./station ./station/runner ./cmd/panecal)

## hil: a real unit on PORT, tried against the specification and then calibrated in a fresh store. It emits, and constants are written into it.
hil: build
	@test -n "$(PORT)" && test -n "$(LABEL)" || { echo "make hil PORT=/dev/serial/by-path/NAME LABEL=H54-00001-X [BAUD=921600]"; exit 2; }
	@d=$$(mktemp -d) && echo "recordings and store: $$d" && set -ex && \
	bin/panecal conform "$(PORT)" --baud $(or $(BAUD),921600) --record $$d/conform.txt && \
	bin/panecal --data $$d/station init && \
	bin/panecal --data $$d/station run --port "$(PORT)" --label "$(LABEL)" --record $$d/run.txt

# What fuzzing has found interesting, from one computer to the next.
CORPUS := testdata/corpus.tar.gz
FOUND = $$($(GO) env GOCACHE)/fuzz

## fuzz: every fuzz target for FUZZTIME, from the corpus on.
fuzz:
	@mkdir -p "$(FOUND)" && tar -xzf $(CORPUS) -C "$(FOUND)"
	@n=0; bad=0; for p in $$($(GO) list $(PKG)); do \
		for f in $$($(GO) test -list '^Fuzz' $$p | grep '^Fuzz' || true); do \
			n=$$((n + 1)); echo "fuzz $$p $$f"; $(GO) test -run '^$$' -fuzz "^$$f\$$" -fuzztime $(FUZZTIME) -fuzzminimizetime 1x $$p || bad=$$((bad + 1)); done; done; \
	word() { if [ "$$1" = 1 ]; then echo ok; else echo short; fi; }; \
	echo "figure fuzz.targets $$n targets >0 $$(word $$((n > 0)))"; echo "figure fuzz.failed $$bad targets 0 $$(word $$((bad == 0)))"; [ $$n -gt 0 ] && [ $$bad = 0 ]

## mutants: a hundred small faults planted in each of these packages; those that no test notices are listed.
mutants:
	@$(GO) run ./testdata/mutants -n 100 ./limits ./station ./station/estimate ./protocol ./store

## corpus: keeps what fuzzing has found on this computer.
corpus:
	tar --sort=name --mtime=@0 --owner=0 --group=0 --numeric-owner -C "$(FOUND)" -cf - example.org/panecal | gzip -9n > $(CORPUS)

golden:
	$(GO) test $(GOLDEN) -update

imports:
	$(GO) test -run "TestImports|TestNoClock" -v -count=1 ./cmd/panecal

sim: build
	bin/panecal sim --units 3 --seed 1

tidy:
	$(GO) mod tidy

clean:
	rm -rf bin
