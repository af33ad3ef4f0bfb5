# afterflash: see README.md. `make help` lists the targets.
BUILD ?= build
PREFIX ?= /usr/local
CC ?= gcc
CXX ?= g++
VERSION := $(shell cat VERSION)

PACKAGES := libavformat libavcodec libavutil libswscale fftw3 gsl jansson libturbojpeg libjpeg
have = $(shell pkg-config --exists $(PACKAGES) dcmtk cmocka 2>/dev/null && echo yes)
PACKAGE_CFLAGS = $(shell pkg-config --cflags $(PACKAGES))
PACKAGE_LIBS = $(shell pkg-config --libs $(PACKAGES))
DICOM_LIBS = -ldcmjpls -ldcmjpeg -ldcmimage -ldcmimgle -ldcmdata -loflog -lofstd

WARNINGS := -Wall -Wextra -Wpedantic -Wconversion -Wshadow
OPTIMISE ?= -O2 -g
SANITIZE ?=
COMMON = $(OPTIMISE) $(SANITIZE) $(WARNINGS) -Werror -MMD -MP -Iinclude -Isrc -D_POSIX_C_SOURCE=200809L \
	-DAFTERFLASH_VERSION='"$(VERSION)"' -ffp-contract=off -fno-math-errno -pthread $(PACKAGE_CFLAGS)
C_FLAGS = -std=c17 -Wstrict-prototypes -Wmissing-prototypes $(COMMON) $(CFLAGS)
CXX_FLAGS = -std=c++17 $(COMMON) $(CXXFLAGS)
LINK_LIBS = $(PACKAGE_LIBS) $(DICOM_LIBS) -lm -pthread

C_SOURCES := $(wildcard src/*/*.c)
CXX_SOURCES := $(wildcard src/*/*.cpp)
OBJECTS := $(C_SOURCES:%.c=$(BUILD)/%.o) $(CXX_SOURCES:%.cpp=$(BUILD)/%.o)
MAIN_OBJECT := $(BUILD)/src/commands/main.o
LIBRARY := $(BUILD)/libafterflash.a
TEST_SOURCES := $(wildcard tests/*/*_test.c tests/*/*/*_test.c)
TEST_HELPERS := $(wildcard tests/support/*.c)
TESTS := $(TEST_SOURCES:%.c=$(BUILD)/%)

all: $(BUILD)/afterflash ## build the program (build/afterflash)

help: ## list the targets
	@sed -n 's/^\([a-z-]*\):[^#]*## \(.*\)/\1\t\2/p' Makefile | expand -t 16

$(BUILD)/afterflash: $(MAIN_OBJECT) $(LIBRARY)
	$(CXX) $(OPTIMISE) $(SANITIZE) $(LDFLAGS) -o $@ $^ $(LINK_LIBS)

$(LIBRARY): $(filter-out $(MAIN_OBJECT),$(OBJECTS))
	@rm -f $@
	$(AR) rcs $@ $^

$(BUILD)/%.o: %.c
	@mkdir -p $(@D)
	$(CC) $(C_FLAGS) -c -o $@ $<

$(BUILD)/%.o: %.cpp
	@mkdir -p $(@D)
	$(CXX) $(CXX_FLAGS) -c -o $@ $<

$(BUILD)/tests/%_test: $(BUILD)/tests/%_test.o $(TEST_HELPERS:%.c=$(BUILD)/%.o) $(LIBRARY)
	$(CXX) $(OPTIMISE) $(SANITIZE) $(LDFLAGS) -o $@ $^ -lcmocka $(LINK_LIBS)

tests: $(BUILD)/afterflash $(TESTS) ## build the tests

check: ## install what the tests need, build and run every test
	@tools/install-packages.sh test
	@$(MAKE) --no-print-directory tests
	@BUILD=$(BUILD) tools/run-tests.sh $(TESTS)

clean: ## remove what was built
	rm -rf $(BUILD)

-include $(OBJECTS:.o=.d) $(TEST_SOURCES:%.c=$(BUILD)/%.d) $(TEST_HELPERS:%.c=$(BUILD)/%.d)

.SECONDARY:
.PHONY: all help tests check clean
