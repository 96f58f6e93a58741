# Staddle. `make help` lists the targets.
CC      ?= gcc
CFLAGS  ?= -O2 -g
B       ?= build
PREFIX  ?= /usr/local
V       ?=
Q       := $(if $(V),,@)
# An emptied environment has no PATH.
export PATH := $(or $(PATH),/usr/local/sbin:/usr/local/bin:/usr/sbin:/usr/bin:/sbin:/bin)

# SAN=address builds the same tree with sanitizers into its own folder.
ifeq ($(SAN),address)
override B := $(B)/san
SANFLAGS   := -fsanitize=address,undefined -fno-sanitize-recover=all -fno-omit-frame-pointer
endif
# SAN=fuzz the same with clang, and ready for libFuzzer; SAN=cover counts the lines that run.
ifeq ($(SAN),fuzz)
override B  := $(B)/fuzz
override CC := clang
SANFLAGS    := -fsanitize=fuzzer-no-link,address,undefined -fno-sanitize-recover=all -fno-omit-frame-pointer -DFUZZ_SEARCH
endif
ifeq ($(SAN),cover)
override B  := $(B)/cover
SANFLAGS    := --coverage
endif

LIBS       := yaml-0.1 jansson sqlite3 libjpeg libraw_r libtiff-4 libpng zlib libexif fftw3f nettle cairo libserialport libusb-1.0
WERROR     ?=
WARN       := -Wall -Wextra -Wshadow -Wconversion $(WERROR)
CPPFLAGS   += -D_GNU_SOURCE -Iinclude -Isrc -I. $(shell pkg-config --cflags $(LIBS) 2>/dev/null)
STDFLAGS   := -std=c11 -ffp-contract=off -pthread $(WARN) $(SANFLAGS)
# The raw library names its C++ and threading runtimes for static linking; this is a C program.
LDLIBS     += $(filter-out -lstdc++ -fopenmp,$(shell pkg-config --libs $(LIBS) 2>/dev/null)) -lm -pthread

SOURCES    := $(filter-out src/main.c src/camera/%.c firmware/native/main.c,$(wildcard src/*.c src/*/*.c firmware/core/*.c firmware/native/*.c))
OBJECTS    := $(SOURCES:%.c=$(B)/obj/%.o)
TESTS_FAST := $(patsubst tests/%.c,$(B)/tests/%,$(wildcard tests/unit/test_*.c tests/contract/test_*.c tests/flow/test_*.c))
TESTS_LONG := $(patsubst tests/%.c,$(B)/tests/%,$(wildcard tests/long/test_*.c))
TESTS_SOAK := $(patsubst tests/%.c,$(B)/tests/%,$(wildcard tests/soak/test_*.c))
FUZZ       := $(patsubst tests/fuzz/fuzz_%.c,%,$(wildcard tests/fuzz/fuzz_*.c))
FUZZ_HELP  := $(patsubst %.c,$(B)/obj/%.o,$(filter-out tests/fuzz/fuzz_%.c tests/fuzz/replay.c tests/fuzz/seeds%.c,$(wildcard tests/fuzz/*.c)))
REPLAYS    := $(FUZZ:%=$(B)/tests/fuzz/replay_%)
TESTS_FAST += $(REPLAYS)
TEST_HELP  := $(patsubst %.c,$(B)/obj/%.o,$(wildcard tests/support/*.c tests/emulator/*.c))
# What the tests' own readers and cmocka need.
TEST_LIBS  := -lcmocka
PRELOADS   := $(patsubst tests/%.c,$(B)/tests/%.so,$(wildcard tests/preload/*.c))
TABLES     := $(patsubst tests/%.c,$(B)/tests/%,$(wildcard tests/tables/table_*.c))
SPEEDS     := $(patsubst tests/%.c,$(B)/tests/%,$(wildcard tests/speed/speed_*.c))

.DEFAULT_GOAL := build
.PHONY: build demo test check soak speed tables fuzz fuzz-programs replays coverage seeds lint install clean help
.PHONY: fw fw-flash chip
.PHONY: deps-build deps-check deps-speed measure-speed check-tests test-programs san-tests format

build: $(B)/staddle $(B)/staddle-virtual-rail $(B)/staddle-camera ## build the programs: build/staddle and its helpers

$(B)/staddle: $(B)/obj/src/main.o $(B)/libstaddle.a
	$(Q)$(CC) $(CFLAGS) $(STDFLAGS) $(LDFLAGS) -o $@ $^ $(LDLIBS)

$(B)/staddle-virtual-rail: $(B)/obj/firmware/native/main.o $(B)/libstaddle.a
	$(Q)$(CC) $(CFLAGS) $(STDFLAGS) $(LDFLAGS) -o $@ $^ -lm -pthread

# The one program that the camera library is linked to.
CAMERA_OBJECTS := $(patsubst %.c,$(B)/obj/%.o,$(wildcard src/camera/*.c))
$(CAMERA_OBJECTS): CPPFLAGS += $(shell pkg-config --cflags libgphoto2 2>/dev/null)
$(B)/staddle-camera: $(CAMERA_OBJECTS) $(B)/libstaddle.a
	$(Q)$(CC) $(CFLAGS) $(STDFLAGS) $(LDFLAGS) -o $@ $^ $(shell pkg-config --libs libgphoto2) -ljansson -lm -pthread

$(B)/libstaddle.a: $(OBJECTS)
	$(Q)rm -f $@ && ar rcs $@ $^

$(B)/obj/%.o: %.c
	$(Q)mkdir -p $(@D)
	$(Q)$(CC) $(CPPFLAGS) $(CFLAGS) $(STDFLAGS) -MMD -MP -c -o $@ $<

# The image loops are worth the optimiser's full effort.
$(B)/obj/src/image/%.o $(B)/obj/src/sim/%.o: CFLAGS += -O3

$(B)/tests/%: $(B)/obj/tests/%.o $(TEST_HELP) $(B)/libstaddle.a
	$(Q)mkdir -p $(@D)
	$(Q)$(CC) $(CFLAGS) $(STDFLAGS) $(LDFLAGS) -o $@ $^ $(LDLIBS) $(TEST_LIBS)

# The general-purpose library of the race, and how it is called; only that one program knows it.
PEER_LIBS := -lopencv_imgcodecs -lopencv_imgproc -lopencv_core
$(B)/obj/tests/peer/%.o: tests/peer/%.cpp
	$(Q)mkdir -p $(@D)
	$(Q)$(CXX) -I. -isystem /usr/include/opencv4 $(CFLAGS) -O3 -Wall -Wextra -MMD -MP -c -o $@ $<

$(B)/tests/speed/speed_race: $(B)/obj/tests/speed/speed_race.o $(B)/obj/tests/peer/opencv_frame.o $(TEST_HELP) $(B)/libstaddle.a
	$(Q)mkdir -p $(@D)
	$(Q)$(CXX) $(CFLAGS) $(SANFLAGS) $(LDFLAGS) -o $@ $^ $(LDLIBS) $(PEER_LIBS) $(TEST_LIBS)

# The USB of a made-up machine.
$(B)/obj/tests/long/test_usb.o: CPPFLAGS += $(shell pkg-config --cflags umockdev-1.0 2>/dev/null | sed 's/-I/-isystem /g')
$(B)/tests/long/test_usb: LDLIBS += $(shell pkg-config --libs umockdev-1.0 2>/dev/null)

# What a test puts before the system's library.
$(B)/tests/preload/%.so: tests/preload/%.c tests/support/far_page.h
	$(Q)mkdir -p $(@D)
	$(Q)$(CC) $(CPPFLAGS) $(CFLAGS) -std=c11 $(WARN) -fPIC -shared -o $@ $< -ldl

# A fuzz target with its seeds as a test, and with the search (SAN=fuzz).
$(B)/tests/fuzz/replay_%: $(B)/obj/tests/fuzz/fuzz_%.o $(B)/obj/tests/fuzz/replay.o $(FUZZ_HELP) $(B)/libstaddle.a
	$(Q)mkdir -p $(@D)
	$(Q)$(CC) $(CFLAGS) $(STDFLAGS) $(LDFLAGS) -o $@ $^ $(LDLIBS) -lcmocka

$(B)/tests/fuzz/seeds: $(patsubst %.c,$(B)/obj/%.o,$(wildcard tests/fuzz/seeds*.c)) $(FUZZ_HELP) $(TEST_HELP) $(B)/libstaddle.a
	$(Q)mkdir -p $(@D)
	$(Q)$(CC) $(CFLAGS) $(STDFLAGS) $(LDFLAGS) -o $@ $^ $(LDLIBS) $(TEST_LIBS)

$(B)/tests/fuzz/fuzz_%: $(B)/obj/tests/fuzz/fuzz_%.o $(FUZZ_HELP) $(B)/libstaddle.a
	$(Q)mkdir -p $(@D)
	$(Q)$(CC) $(CFLAGS) $(STDFLAGS) $(LDFLAGS) -fsanitize=fuzzer -o $@ $^ $(LDLIBS)

# The rail controller's firmware for the chip. FW_BAUD=115200 where a port cannot do 250000.
FW_CC      := avr-gcc
FW_BAUD    ?= 250000
FW_FLAGS   := -mmcu=atmega328p -DF_CPU=16000000UL -DFW_BAUD=$(FW_BAUD)UL -include firmware/avr/flash.h -O2 -std=gnu11 -fshort-enums -flto \
              -ffunction-sections -fdata-sections -Wall -Wextra -Wshadow $(WERROR) -Iinclude -I.
FW_SOURCES := $(wildcard firmware/core/*.c firmware/avr/*.c)
FW_OBJECTS := $(FW_SOURCES:%.c=$(B)/fw/obj/%.o)
FW_ELF     := $(B)/fw/staddle-rail.elf
PROGRAMMER ?= arduino

fw: $(FW_ELF) $(B)/fw/staddle-rail.hex ## build the rail controller's firmware for the ATmega328P: build/fw
	$(Q)sh tests/tools/fw-figures.sh $(FW_ELF)

fw-flash: fw ## write it to a board: make fw-flash PORT=/dev/ttyUSB0 (PROGRAMMER=... for another way in than the boot loader)
	$(Q)test -n "$(PORT)" || { echo "fw-flash: say where the board is: make fw-flash PORT=/dev/ttyUSB0" >&2; exit 2; }
	$(Q)avrdude -p atmega328p -c $(PROGRAMMER) -P $(PORT) -U flash:w:$(B)/fw/staddle-rail.hex:i

$(FW_ELF): $(FW_OBJECTS)
	$(Q)$(FW_CC) $(FW_FLAGS) -Wl,--gc-sections -Wl,-Map=$(@:.elf=.map) -o $@ $^

$(B)/fw/staddle-rail.hex: $(FW_ELF)
	$(Q)avr-objcopy -O ihex -R .eeprom -R .fuse -R .lock -R .signature $< $@

$(B)/fw/obj/%.o: %.c
	$(Q)mkdir -p $(@D)
	$(Q)$(FW_CC) $(FW_FLAGS) -MMD -MP -c -o $@ $<

# The tests that run that firmware in a simulated chip.
TESTS_CHIP := $(patsubst tests/%.c,$(B)/tests/%,$(wildcard tests/chip/test_*.c))
CHIP_HELP  := $(patsubst %.c,$(B)/obj/%.o,tests/chip/board.c tests/chip/here.c tests/chip/chip.c)
$(B)/obj/tests/chip/%.o: CPPFLAGS += -isystem /usr/include/simavr

$(B)/tests/chip/%: $(B)/obj/tests/chip/%.o $(CHIP_HELP) $(TEST_HELP) $(B)/libstaddle.a
	$(Q)mkdir -p $(@D)
	$(Q)$(CC) $(CFLAGS) $(STDFLAGS) $(LDFLAGS) -o $@ $^ $(LDLIBS) $(TEST_LIBS) -lsimavr -lutil

# The virtual rail with the simulated chip in it.
CHIP_RAIL := $(patsubst %.c,$(B)/obj/%.o,firmware/native/main.c tests/chip/rail_in_chip.c tests/chip/board.c tests/chip/chip.c \
             tests/support/rail_rig.c tests/support/virtual_rail.c tests/support/test.c)
$(B)/tests/chip/staddle-chip-rail: $(CHIP_RAIL) $(B)/libstaddle.a
	$(Q)mkdir -p $(@D)
	$(Q)$(CC) $(CFLAGS) $(STDFLAGS) $(LDFLAGS) -o $@ $^ $(LDLIBS) -lcmocka -lsimavr -lutil

# Where things lie in the chip's memory, for those tests.
$(B)/fw/staddle-rail.sym: $(FW_ELF)
	$(Q)avr-nm $< >$@

$(B)/fw/layout.bin: tests/chip/layout.c firmware/core/core.h include/staddle/wire.h
	$(Q)mkdir -p $(@D)
	$(Q)$(FW_CC) $(filter-out -flto -fdata-sections,$(FW_FLAGS)) -c -o $(B)/fw/layout.o $<
	$(Q)avr-objcopy -O binary -j .rodata $(B)/fw/layout.o $@

# The build for slower ports.
$(B)/slow/fw/staddle-rail.sym: $(FW_ELF)
	$(Q)$(MAKE) --no-print-directory B=$(B)/slow FW_BAUD=115200 $(B)/slow/fw/staddle-rail.elf
	$(Q)avr-nm $(B)/slow/fw/staddle-rail.elf >$@

chip: fw $(B)/fw/staddle-rail.sym $(B)/slow/fw/staddle-rail.sym $(B)/fw/layout.bin build $(TESTS_CHIP) $(B)/tests/chip/staddle-chip-rail ## run the firmware in a simulated chip, pulse by pulse: a minute or two
	$(Q)sh tests/tools/run-tests.sh $(B) $(TESTS_CHIP)

-include $(shell find $(B)/fw/obj -name '*.d' 2>/dev/null)
-include $(shell find $(B)/obj -name '*.d' 2>/dev/null)
.SECONDARY:

demo: deps-build ## install what is missing, build, run a whole stack on the simulated bench
	$(Q)$(MAKE) --no-print-directory build
	$(Q)sh tests/tools/demo.sh $(B)

test: build $(TESTS_FAST) ## unit, contract and flow tests: under a minute
	$(Q)sh tests/tools/run-tests.sh $(B) $(TESTS_FAST)

test-programs: $(TESTS_FAST) $(TESTS_LONG) $(TABLES) $(PRELOADS)

# Of the long ones those that only show that all parts of something are clean.
TESTS_SAN := $(addprefix $(B)/tests/long/,test_calibrate_small test_allocations)
san-tests: build $(TESTS_FAST) $(TESTS_SAN)
	$(Q)sh tests/tools/run-tests.sh $(B) $(TESTS_FAST) $(TESTS_SAN)

soak: build $(TESTS_SOAK) $(PRELOADS) $(B)/tests/chip/soak_moves fw $(B)/fw/staddle-rail.sym $(B)/fw/layout.bin ## the long lists, a million moves of the chip, and minutes of fuzzing: about two hours
	$(Q)STADDLE_BUILD=$(B) $(B)/tests/chip/soak_moves
	$(Q)sh tests/tools/run-tests.sh $(B) $(TESTS_SOAK)
	$(Q)$(MAKE) --no-print-directory fuzz

FUZZ_SECONDS ?= 180
fuzz: ## search for inputs that break a parser: FUZZ_SECONDS of each target (180), or of those in FUZZ="a b"
	$(Q)$(MAKE) --no-print-directory SAN=fuzz FUZZ="$(FUZZ)" fuzz-programs
	$(Q)sh tests/tools/fuzz.sh $(B)/fuzz $(FUZZ_SECONDS) $(FUZZ)

fuzz-programs: $(FUZZ:%=$(B)/tests/fuzz/fuzz_%)

replays: $(REPLAYS)

seeds: $(B)/tests/fuzz/seeds ## make the seeds of tests/fuzz/corpus again that are no text
	$(Q)$(B)/tests/fuzz/seeds tests/fuzz/corpus

coverage: ## how much of each parser the seeds alone reach: at least 80 % of its lines
	$(Q)$(MAKE) --no-print-directory SAN=cover CFLAGS="-O0 -g" replays
	$(Q)sh tests/tools/coverage.sh $(B)/cover

check: ## everything that CI runs: demo, every test, sanitizers, lint
	$(Q)sh tests/tools/check.sh

check-tests: build $(TESTS_FAST) $(TESTS_LONG) $(TABLES) $(PRELOADS)
	$(Q)sh tests/tools/run-tests.sh $(B) $(TESTS_FAST) $(TESTS_LONG)

speed: deps-speed ## measurements beside the bounds they have to meet: build/speed.json
	$(Q)$(MAKE) --no-print-directory measure-speed

measure-speed: build $(SPEEDS)
	$(Q)sh tests/tools/speed.sh $(B) $(SPEEDS)

tables: $(TABLES) ## print the tables of DEVELOPERS.md again, into it
	$(Q)sh tests/tools/tables.sh DEVELOPERS.md $(TABLES)

lint: ## format, static analysis, spelling, include order
	$(Q)sh tests/tools/lint.sh

format: ## let clang-format end the discussion
	$(Q)clang-format -i $$(git ls-files '*.c' '*.h')

deps-build:
	$(Q)sh tests/tools/install-packages.sh build

deps-check:
	$(Q)sh tests/tools/install-packages.sh build check
	$(Q)sh tests/tools/unpack-data.sh build/data

deps-speed:
	$(Q)sh tests/tools/install-packages.sh build check speed

install: build ## install the program and its manual page under PREFIX
	install -D -m 755 $(B)/staddle $(DESTDIR)$(PREFIX)/bin/staddle
	install -D -m 755 $(B)/staddle-virtual-rail $(DESTDIR)$(PREFIX)/bin/staddle-virtual-rail
	install -D -m 755 $(B)/staddle-camera $(DESTDIR)$(PREFIX)/libexec/staddle/staddle-camera
	install -D -m 644 src/staddle.1 $(DESTDIR)$(PREFIX)/share/man/man1/staddle.1

clean: ## remove what was built
	rm -rf build

help: ## this list
	@grep -hE '^[a-z-]+:.*##' $(MAKEFILE_LIST) | sed 's/:.*##/\t/' | expand -t 12
