# Words for compilers and linker; a change here compiles everything anew.
WARNINGS := -Wall -Wextra -Wpedantic -Wconversion -Wshadow
OPTIMISE ?= -O2 -g
SANITIZE ?=
VERSION := $(shell cat VERSION)
COMMON = $(OPTIMISE) $(SANITIZE) $(WARNINGS) -Werror -MMD -MP -Iinclude -Isrc -D_XOPEN_SOURCE=700 \
	-DAFTERFLASH_VERSION='"$(VERSION)"' -ffp-contract=off -fno-math-errno -fopenmp-simd -pthread $(PACKAGE_CFLAGS)
C_FLAGS = -std=c17 -Wstrict-prototypes -Wmissing-prototypes $(COMMON) $(CFLAGS)
CXX_FLAGS = -std=c++17 $(COMMON) $(CXXFLAGS)
LINK = $(CXX) $(OPTIMISE) $(SANITIZE) $(LDFLAGS)
