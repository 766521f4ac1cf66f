# What a person who cloned this repository needs. `make` lists it.
SHELL := /bin/bash
.DELETE_ON_ERROR:

TARGET := $(or $(CARGO_TARGET_DIR),target)
PROGRAM := $(TARGET)/release/earmark
DRILL := tests/drill/drill.flac
LOG := $(TARGET)/demo/drill.earmark.jsonl
VENV := $(TARGET)/venv
HEARING := $(TARGET)/hearing
STAGE := $(TARGET)/release/examples/board_stage
PICTURES := $(TARGET)/pictures
ASSETS := $(or $(EARMARK_ASSETS),$(or $(XDG_CACHE_HOME),$(HOME)/.cache)/earmark)
PREFIX ?= /usr/local
NOTICES := $(TARGET)/notices/THIRD-PARTY.txt
INVENT := $(TARGET)/release/examples/invent_drills
# Vosk's library comes for this machine only; elsewhere the tests do without it.
VOSK := $(filter Linux-x86_64,$(shell uname -sm | tr ' ' -))

.PHONY: help demo vosk test measure many hearing crowd flood pictures torture disks keypad-machine service-machine sounds picture assets lint clean program stage invent
.PHONY: install uninstall deb notices deny fuzz
.PHONY: setup-demo setup-test setup-hearing setup-machine

help: ## this list
	@awk -F ':.*## ' '/^[a-z-]+:.*## / { printf "make %-14s %s\n", $$1, $$2 }' $(MAKEFILE_LIST)

demo: setup-demo assets program ## hear an invented drill and write its log
	@mkdir -p $(dir $(LOG)) && rm -f $(LOG)
	@$(PROGRAM) replay $(DRILL) --purpose demo --start 2026-01-01T09:00:00Z --log $(LOG)

vosk: setup-demo ## build the program with Vosk, for a model folder of your own
	@python3 tools/assets.py --for vosk
	@cargo build --release --locked --features vosk
	@$(MAKE) --no-print-directory $(NOTICES)

test: setup-test $(VENV)/complete ## run all tests, with Vosk where its library is to be had
	@python3 tools/assets.py $(if $(VOSK),--for vosk --for vosk-tests)
	@PATH="$(abspath $(VENV))/bin:$$PATH" cargo test --locked --no-fail-fast $(if $(VOSK),--features vosk)

measure: setup-test assets program stage $(VENV)/complete ## compare the demo drill's log with the truth; time it, the board and an answer
	@python3 tests/measure/measure.py --binary $(PROGRAM)
	@echo && $(VENV)/bin/python tests/board/latency.py $(STAGE)
	@echo && $(VENV)/bin/python tests/measure/answer.py $(PROGRAM)

crowd: setup-test assets stage $(VENV)/complete ## 200 browsers' worth of clients at the board for 10 minutes
	@$(VENV)/bin/python tests/board/latency.py $(STAGE) --clients 200 --events 300 --seconds 600

flood: setup-test assets program ## an hour of shouting and keys, a day of audio, three days of quiet; HOURS=0.1 for a tenth
	@python3 tests/flood/flood.py $(PROGRAM) --hours $(or $(HOURS),1) --result tests/flood/result.txt

pictures: setup-test assets program stage invent $(VENV)/complete ## the board's two views at three sizes, a debrief, a comparison, a prep sheet
	@$(VENV)/bin/python tests/board/pictures.py $(STAGE) $(PICTURES)
	@tools/pictures.sh $(PROGRAM) $(INVENT) $(PICTURES)/pages

hearing: setup-demo setup-hearing assets program $(HEARING)/venv/complete ## make the hearing bench and measure on it: some hours
	@$(HEARING)/venv/bin/python tests/hearing/make_bench.py report $(HEARING)/report
	@$(HEARING)/venv/bin/python tests/hearing/peer.py --set-dir $(HEARING)/report
	@$(HEARING)/venv/bin/python tests/hearing/bench.py --binary $(PROGRAM) --set-dir $(HEARING)/report \
		--results tests/hearing/results/$$(date +%F).md

many: setup-demo assets program invent ## compare 10,000 invented logs, and read long ones: time and memory
	@rm -rf $(TARGET)/many && $(INVENT) $(TARGET)/many 10000
	@python3 tests/debrief/many.py $(PROGRAM) $(TARGET)/many
	@python3 tests/debrief/long.py $(PROGRAM) $(INVENT) $(TARGET)/long

torture: setup-test assets ## kill the program 500 times while it records, and look for what is missing (half an hour)
	@cargo build --locked --bin earmark
	@python3 tests/torture/torture.py $(TARGET)/debug/earmark --kills 500

disks: setup-test assets ## as root: take real disks away from the running program
	@cargo build --locked --bin earmark
	@python3 tests/torture/disks.py $(TARGET)/debug/earmark

keypad-machine: setup-machine assets ## type on a USB keyboard in an emulated machine and read the log (some minutes)
	@cargo build --locked --bin earmark --example keypad_listener
	@python3 tests/keypad_machine/run.py $(TARGET)/debug/examples/keypad_listener $(TARGET)/debug/earmark "$(ASSETS)"

service-machine: setup-machine assets ## as root: install into a clean Debian, boot it emulated, and try the service (some minutes)
	@cargo build --locked --bin earmark && strip -o $(TARGET)/debug/earmark-stripped $(TARGET)/debug/earmark
	@python3 tests/service_machine/run.py $(TARGET)/debug/earmark-stripped "$(ASSETS)"

sounds: setup-test $(VENV)/complete ## make the voice's sounds anew from the packs' texts
	@$(VENV)/bin/python sounds/make.py

picture: demo ## draw the terminal view as the README shows it, from the demo drill's log
	@cargo run --quiet --locked --example view_picture -- $(LOG) 199 > tests/view/view.svg

install: $(if $(wildcard $(PROGRAM)),,setup-demo assets program) $(NOTICES) ## put program, packs, sounds, model, unit and keypad rule under PREFIX (/usr/local)
	@PREFIX="$(PREFIX)" DESTDIR="$(DESTDIR)" NOTICES="$(NOTICES)" \
		tools/install/install.sh install $(PROGRAM) "$(ASSETS)" $(wildcard $(PROGRAM)-vosk)

uninstall: ## take exactly that away again
	@PREFIX="$(PREFIX)" DESTDIR="$(DESTDIR)" tools/install/install.sh uninstall

deb: setup-demo assets program $(NOTICES) ## make a Debian package, with cargo-deb from crates.io
	@cargo install --quiet --locked --root $(TARGET)/tools cargo-deb@3.8.0
	@rm -rf $(TARGET)/deb && PREFIX=/usr DESTDIR=$(abspath $(TARGET)/deb) NOTICES="$(NOTICES)" \
		tools/install/install.sh install $(PROGRAM) "$(ASSETS)"
	@{ cat tools/install/copyright.head; cat LICENSE $(NOTICES) | sed 's/^/ /; s/^[[:space:]]*$$/ ./'; } \
		> $(TARGET)/deb/copyright
	@PATH="$(abspath $(TARGET))/tools/bin:$$PATH" cargo deb --no-build --locked --output $(TARGET)/deb/

notices: setup-demo assets $(NOTICES) ## make the file with the licences of all crates and models that are passed on

deny: ## hold all dependencies to tools/deny.toml: licences, bans, sources
	@cargo install --quiet --locked --root $(TARGET)/tools cargo-deny@0.20.2
	@PATH="$(abspath $(TARGET))/tools/bin:$$PATH" cargo deny --locked --config tools/deny.toml check licenses bans sources
	@PATH="$(abspath $(TARGET))/tools/bin:$$PATH" cargo deny --locked --manifest-path fuzz/Cargo.toml --config tools/deny.toml check sources

fuzz: setup-demo assets ## throw bad input at all that is read, SECONDS (600) for each target of fuzz/
	@cargo install --quiet --locked --root $(TARGET)/tools cargo-fuzz@0.13.2
	@PATH="$(abspath $(TARGET))/tools/bin:$$PATH" fuzz/run.sh $(or $(SECONDS),600)

assets: ## fetch the pinned engine files, if they are missing
	@python3 tools/assets.py

lint: setup-demo ## formatting, clippy and docs, warnings denied
	@cargo fmt --check
	@cargo clippy --locked --all-targets --features vosk -- -D warnings
	@RUSTDOCFLAGS="-D warnings" cargo doc --locked --no-deps --document-private-items

clean: ## delete all that was built
	@cargo clean

setup-demo setup-test setup-hearing setup-machine: setup-%:
	@tools/setup.sh $*

# Cargo tells of its progress only when there is nothing yet: the first build takes minutes.
program:
	@cargo build --release --locked $$([ -x $(PROGRAM) ] && echo --quiet)
	@$(MAKE) --no-print-directory $(NOTICES)

# Made along with the program, so that whoever installs it as root needs no cargo.
$(NOTICES): Cargo.toml Cargo.lock assets.lock LICENSE tools/notices.py
	@python3 tools/notices.py $@ "$(ASSETS)"

stage:
	@cargo build --release --locked --example board_stage $$([ -x $(STAGE) ] && echo --quiet)

invent:
	@cargo build --release --locked --example invent_drills $$([ -x $(INVENT) ] && echo --quiet)

$(VENV)/complete: tests/requirements.txt
$(HEARING)/venv/complete: tests/requirements.txt tests/hearing/peer.txt
%/complete:
	@rm -rf $(@D)
	@python3 -m venv $(@D) || { echo "error: python3 cannot make a venv: install it (Debian: apt-get install python3-venv)" >&2; exit 1; }
	@$(@D)/bin/python -m pip --disable-pip-version-check --no-input install --quiet --require-hashes --prefer-binary $(^:%=-r %)
	@touch $@
