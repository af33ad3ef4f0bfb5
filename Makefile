# afterflash: see README.md. `make help` lists the targets.
#
#   make BUILD=DIR        build somewhere else
#   make V=1              show every command
#   make OPTIMISE=-Og     and CC, CXX, CFLAGS, CXXFLAGS, LDFLAGS, SANITIZE, PREFIX, DESTDIR
BUILD ?= build
PREFIX ?= /usr/local
DESTDIR ?=
ifeq ($(origin CC),default)
CC := gcc
endif
ifeq ($(origin CXX),default)
CXX := g++
endif
V ?= 0
ifeq ($(V),0)
QUIET := @
ifeq ($(findstring s,$(firstword -$(MAKEFLAGS))),)
say = @printf '  %-5s %s\n' '$(1)' '$(2)'
endif
endif

C_SOURCES := $(sort $(wildcard src/*/*.c))
CXX_SOURCES := $(sort $(wildcard src/*/*.cpp))
OBJECTS := $(C_SOURCES:%.c=$(BUILD)/%.o) $(CXX_SOURCES:%.cpp=$(BUILD)/%.o)
MAIN_OBJECT := $(BUILD)/src/commands/main.o
LIBRARY := $(BUILD)/libafterflash.a
PROGRAM := $(BUILD)/afterflash
MANUAL := $(BUILD)/afterflash.1
TEST_SOURCES := $(sort $(wildcard tests/*/*_test.c tests/*/*/*_test.c))
TEST_HELPERS := $(sort $(wildcard tests/support/*.c))
TEST_SCRIPTS := $(sort $(wildcard tests/scripts/*_test.sh tests/scripts/*_test.py tests/outside/*_test.py))
TESTS := $(TEST_SOURCES:%.c=$(BUILD)/%)
TEST_OBJECTS := $(TESTS:%=%.o) $(TEST_HELPERS:%.c=$(BUILD)/%.o)

all: $(PROGRAM) $(MANUAL) ## build the program and its manual page

# These need no compiler and no library, or install them first; all else needs what config.mk found.
PLAIN := help demo check clean distclean packages asan clang format check-format check-layers check-contracts \
	check-banned uninstall
ifneq ($(filter-out $(PLAIN),$(or $(MAKECMDGOALS),all)),)
include $(BUILD)/config.mk
endif

$(BUILD)/config.mk: tools/find-libraries.sh
	@mkdir -p $(@D)
	@tools/find-libraries.sh >$@.new && mv $@.new $@ || { rm -f $@.new; exit 1; }

include mk/flags.mk

$(TEST_OBJECTS): C_FLAGS += -Itests/support
$(OBJECTS) $(TEST_OBJECTS): mk/flags.mk $(BUILD)/config.mk
$(BUILD)/src/report/tool.o: VERSION

$(PROGRAM): $(MAIN_OBJECT) $(LIBRARY)
	$(call say,link,$@)
	$(QUIET)$(LINK) -o $@ $^ $(PACKAGE_LIBS)

$(MANUAL): $(PROGRAM)
	$(call say,make,$@)
	$(QUIET)$(PROGRAM) --manual >$@.new && mv $@.new $@

$(LIBRARY): $(filter-out $(MAIN_OBJECT),$(OBJECTS))
	$(call say,pack,$@)
	$(QUIET)rm -f $@ && $(AR) rcs $@ $^

$(BUILD)/%.o: %.c
	$(call say,cc,$<)
	$(QUIET)mkdir -p $(@D) && $(CC) $(C_FLAGS) -c -o $@ $<

$(BUILD)/%.o: %.cpp
	$(call say,c++,$<)
	$(QUIET)mkdir -p $(@D) && $(CXX) $(CXX_FLAGS) -c -o $@ $<

$(BUILD)/tests/%_test: $(BUILD)/tests/%_test.o $(TEST_HELPERS:%.c=$(BUILD)/%.o) $(LIBRARY)
	$(call say,link,$@)
	$(QUIET)$(LINK) -o $@ $^ -lcmocka $(PACKAGE_LIBS)

PEER_TOOLS := bands wave_lots course_lots replay
bands: $(PEER_TOOLS:%=$(BUILD)/tests/peer/%) ## tools: what is weighed about bands, trains of waves over quiet loops, wall motion looked at anew

$(PEER_TOOLS:%=$(BUILD)/tests/peer/%): $(BUILD)/tests/peer/%: $(BUILD)/tests/peer/%.o $(BUILD)/tests/peer/motion_file.o $(LIBRARY)
	$(call say,link,$@)
	$(QUIET)$(LINK) -o $@ $^ $(PACKAGE_LIBS)

demo: ## install what is needed, build, make demo loops, measure them
	@tools/install-packages.sh demo
	@$(MAKE) --no-print-directory all
	@BUILD=$(BUILD) tools/demo.sh

check: ## install what the tests need, build and run every test
	@tools/install-packages.sh test
	@$(MAKE) --no-print-directory run-tests

tests: $(PROGRAM) $(MANUAL) $(TESTS) ## build the tests

run-tests: tests ## run every test (ONLY=WORD: those whose path has WORD)
	@BUILD=$(BUILD) ONLY='$(ONLY)' tools/run-tests.sh $(TESTS) $(TEST_SCRIPTS)

asan: ## the same under the address and undefined-behaviour sanitizers
	@tools/install-packages.sh test
	@$(MAKE) --no-print-directory BUILD=$(BUILD)-asan OPTIMISE='-O1 -g' \
		SANITIZE='-fsanitize=address,undefined -fno-sanitize-recover=all -fno-omit-frame-pointer' run-tests

clang: ## build and test with clang
	@tools/install-packages.sh test
	@$(MAKE) --no-print-directory BUILD=$(BUILD)-clang CC=clang CXX=clang++ run-tests

lint: $(BUILD)/config.mk ## clang-format, clang-tidy, cppcheck and the house rules
	@tools/install-packages.sh test
	@BUILD=$(BUILD) tools/lint.sh $(C_FLAGS)

format: ## set every C and C++ file by .clang-format
	@git ls-files '*.c' '*.h' '*.cpp' | xargs clang-format -i

check-format: ## say which files .clang-format would change
	@git ls-files '*.c' '*.h' '*.cpp' | xargs clang-format --dry-run -Werror 2>&1 | sed -n 's/:.*error:.*//p' | \
		sort | uniq -c | sed 's/^ *\([0-9]*\) /\1 places in /; $$a make format sets them' | grep . && exit 1 || true

check-layers: ## prove that every #include points to an earlier layer
	@tools/check-layers.sh

check-contracts: ## prove that every public function has a contract and its file's name
	@tools/check-contracts.py

check-banned: ## look for functions that have no place here
	@tools/check-banned.sh

bench: ## measure speed and memory against the recordings and against decoding alone
	@tools/install-packages.sh bench
	@$(MAKE) --no-print-directory all
	@BUILD=$(BUILD) tools/bench.sh

STUDY_LOOPS ?= 300
validate: ## run the validation study and write docs/validation.md anew (STUDY_LOOPS=, KEEP=--keep keeps the loops)
	@tools/install-packages.sh validate
	@$(MAKE) --no-print-directory all
	@/usr/bin/python3 tests/study/run.py --program $(PROGRAM) --work $(BUILD)/study --loops $(STUDY_LOOPS) $(KEEP) \
		--out docs/validation/study.csv
	@/usr/bin/python3 tests/study/report.py docs/validation/study.csv docs

validate-page: ## write docs/validation.md and its plots anew from docs/validation/study.csv
	@tools/install-packages.sh validate
	@/usr/bin/python3 tests/study/report.py docs/validation/study.csv docs

readme: all ## write the worked example of README.md anew from a run of the program
	@BUILD=$(BUILD) tools/readme-example.sh

packages: ## install the Debian packages that the build needs
	@tools/install-packages.sh build

DOCUMENTS := DEVELOPERS.md CHANGELOG.md LICENSE
DOC_FOLDER = $(DESTDIR)$(PREFIX)/share/doc/afterflash
# README.md links to docs/, which therefore stays a folder; the test videos stay in the source.
install: all ## install program, manual page, documents and schema (PREFIX= DESTDIR=)
	install -D -m 755 $(PROGRAM) "$(DESTDIR)$(PREFIX)/bin/afterflash"
	install -D -m 644 $(MANUAL) "$(DESTDIR)$(PREFIX)/share/man/man1/afterflash.1"
	install -D -m 644 docs/summary.schema.json "$(DESTDIR)$(PREFIX)/share/afterflash/summary.schema.json"
	install -d "$(DOC_FOLDER)/docs"
	install -m 644 $(DOCUMENTS) "$(DOC_FOLDER)"
	install -m 644 $(sort $(wildcard docs/*.md)) docs/summary.schema.json "$(DOC_FOLDER)/docs"
	install -d "$(DOC_FOLDER)/docs/validation"
	install -m 644 $(sort $(wildcard docs/validation/*)) "$(DOC_FOLDER)/docs/validation"
	sed 's|\[\([^]]*\)\](testvideos/[^)]*)|`\1` of the source|' README.md >"$(DOC_FOLDER)/README.md"
	chmod 644 "$(DOC_FOLDER)/README.md"

uninstall: ## remove what install put there
	rm -f "$(DESTDIR)$(PREFIX)/bin/afterflash" "$(DESTDIR)$(PREFIX)/share/man/man1/afterflash.1"
	rm -rf "$(DESTDIR)$(PREFIX)/share/afterflash" "$(DESTDIR)$(PREFIX)/share/doc/afterflash"

clean: ## remove what was built
	rm -rf $(BUILD)

distclean: clean ## remove every build, sanitized ones too
	rm -rf $(BUILD)-asan $(BUILD)-clang

help: ## list the targets
	@sed -n 's/^\([a-z-]*\):[^#]*## \(.*\)/  \1\t\2/p' Makefile | expand -t 20

-include $(OBJECTS:.o=.d) $(TEST_OBJECTS:.o=.d) $(wildcard $(BUILD)/tests/peer/*.d)

.SECONDARY:
.DELETE_ON_ERROR:
.PHONY: all bands demo check tests run-tests asan clang lint format check-format check-layers check-contracts \
	check-banned bench validate validate-page readme packages install uninstall clean distclean help
