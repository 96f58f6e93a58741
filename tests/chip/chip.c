#include "tests/chip/chip.h"

#include <avr_eeprom.h>
#include <avr_ioport.h>
#include <avr_timer.h>
#include <avr_uart.h>
#include <sim_avr.h>
#include <sim_elf.h>
#include <sim_interrupts.h>

#define PORTB 'B'
#define PORTC 'C'
#define PORTD 'D'
#include "firmware/avr/board.h"
#include "staddle/wire.h"
#include "tests/support/test.h"
#include "tests/support/virtual_rail.h"

#define VECTOR_STEP     11 /* ATmega328P data sheet, 'Interrupt Vectors', counted from 0 */
#define VECTOR_RECEIVE  18
#define VECTOR_OVERFLOW 13 /* of timer 1 */
#define TIFR1_ADDRESS   0x36
#define MCUSR_ADDRESS   0x54
#define SP_ADDRESS      0x5d
#define EXTERNAL_RESET  0x02
#define RAM_FIRST       0x100
#define RAM_LAST        0x8ff
#define PAINT           0xc5
#define IN_FLIGHT       4096

enum place { HEAD, QUEUE, RUN_SIZE, AT, EVERY, PART, MORE, STEPS, LAST, SHUTTER_AT, PLACES };

struct chip {
    struct board base;
    avr_t *avr;
    avr_irq_t *receive, *input[3];
    unsigned open;
    uint16_t core, places[PLACES];
    uint8_t head;
    /* the line to the chip */
    uint8_t flight[IN_FLIGHT];
    size_t flight_first, flight_count;
    int64_t line_free;
    int64_t kept_overflows;
    /* pins */
    bool step, dir;
    int64_t rose, fell, dir_changed, match, receive_due, step_entered;
    struct chip_seen seen;
    int64_t sent_before, last_in;
    void (*on_pin)(void *, const struct pin_change *);
    void *on_pin_arg;
    void (*on_byte)(void *, uint8_t);
    void *on_byte_arg;
    uint8_t eeprom[1024];
};

static struct chip *of(struct board *b)
{
    return (struct chip *)b;
}

static void least(int64_t *kept, int64_t value)
{
    if (*kept < 0 || value < *kept) *kept = value;
}

void chip_see_anew(struct board *b)
{
    struct chip *c = of(b);
    c->seen = (struct chip_seen){.high_least = -1, .low_least = -1, .dir_least = -1};
    c->rose = c->fell = -1;
    c->sent_before = -1;
}

struct chip_seen *chip_seen(struct board *b)
{
    return &of(b)->seen;
}

void *chip_avr(struct board *b)
{
    return of(b)->avr;
}

/* --- what the pins show --- */

static int64_t cycle_of(const struct chip *c)
{
    return (int64_t)c->avr->cycle;
}

static void step_pin(struct chip *c, bool high)
{
    int64_t now = cycle_of(c);
    if (high) {
        if (c->fell >= 0) least(&c->seen.low_least, now - c->fell);
        c->rose = now;
        least(&c->seen.dir_least, now - c->dir_changed);
        int64_t late = now - c->match + RESPONSE_CYCLES;
        if (late > c->seen.late_most) c->seen.late_most = late;
        c->seen.late[late < 0 ? 0 : late > 511 ? 511 : late]++;
        c->base.now = now;
        board_note_edge(&c->base, now, c->dir ? 1 : -1);
    } else {
        if (c->rose >= 0) least(&c->seen.high_least, now - c->rose);
        c->fell = now;
    }
}

static void on_port(struct chip *c, char port, uint8_t bit, bool high)
{
    if (port == STEP_PORT && bit == STEP_BIT && high != c->step) {
        c->step = high;
        step_pin(c, high);
    }
    if (port == DIR_PORT && bit == DIR_BIT && high != c->dir) {
        c->dir = high;
        c->dir_changed = cycle_of(c);
    }
    if (c->on_pin) {
        struct pin_change change = {cycle_of(c), port, bit, high};
        c->on_pin(c->on_pin_arg, &change);
    }
}

struct pin_hook {
    struct chip *chip;
    char port;
    uint8_t bit;
};

static void on_irq(avr_irq_t *irq, uint32_t value, void *param)
{
    const struct pin_hook *h = param;
    (void)irq;
    on_port(h->chip, h->port, h->bit, value & 1);
}

static void watch_pins(struct chip *c)
{
    static struct pin_hook hooks[64];
    static int used;
    static const struct {
        char port;
        uint8_t bit;
    } PINS[] = {{STEP_PORT, STEP_BIT},     {DIR_PORT, DIR_BIT},   {ENABLE_PORT, ENABLE_BIT},
                {REDUCE_PORT, REDUCE_BIT}, {HALF_PORT, HALF_BIT}, {FULL_PORT, FULL_BIT}};
    for (size_t i = 0; i < sizeof PINS / sizeof *PINS; i++) {
        struct pin_hook *h = &hooks[used++ % 64];
        *h = (struct pin_hook){c, PINS[i].port, PINS[i].bit};
        avr_irq_register_notify(
            avr_io_getirq(c->avr, AVR_IOCTL_IOPORT_GETIRQ((uint32_t)PINS[i].port), PINS[i].bit), on_irq, h);
    }
}

bool chip_pin(struct board *b, char port, uint8_t bit)
{
    avr_ioport_state_t s;
    avr_ioctl(of(b)->avr, AVR_IOCTL_IOPORT_GETSTATE((uint32_t)port), &s);
    return s.ddr >> bit & s.port >> bit & 1;
}

bool chip_is_output(struct board *b, char port, uint8_t bit)
{
    avr_ioport_state_t s;
    avr_ioctl(of(b)->avr, AVR_IOCTL_IOPORT_GETSTATE((uint32_t)port), &s);
    return s.ddr >> bit & 1;
}

/* --- interrupts --- */

static void on_match(avr_irq_t *irq, uint32_t value, void *param)
{
    struct chip *c = param;
    (void)irq;
    if (value) c->match = cycle_of(c);
}

static void on_step_running(avr_irq_t *irq, uint32_t value, void *param)
{
    struct chip *c = param;
    (void)irq;
    if (value)
        c->step_entered = cycle_of(c);
    else if (cycle_of(c) - c->step_entered > c->seen.step_cycles_most)
        c->seen.step_cycles_most = cycle_of(c) - c->step_entered;
}

static void on_receive_due(avr_irq_t *irq, uint32_t value, void *param)
{
    struct chip *c = param;
    (void)irq;
    if (value) c->receive_due = cycle_of(c);
}

static void on_receive_running(avr_irq_t *irq, uint32_t value, void *param)
{
    struct chip *c = param;
    (void)irq;
    if (!value) return;
    int64_t late = cycle_of(c) - c->receive_due + RESPONSE_CYCLES;
    c->seen.received++;
    c->last_in = cycle_of(c);
    if (late > c->seen.receive_most) c->seen.receive_most = late;
}

/* Which firmware is run, and how long a byte lasts on its line. */
static const char *firmware = "fw";
static int byte_cycles = CYCLES_BYTE;

void chip_choose(const char *folder, int cycles)
{
    firmware = folder;
    byte_cycles = cycles;
}

static const char *built_firmware(const char *name)
{
    static char path[80];
    snprintf(path, sizeof path, "%s/%s", firmware, name);
    return built(path);
}

/* --- the line --- */

static avr_cycle_count_t next_byte(avr_t *avr, avr_cycle_count_t when, void *param)
{
    struct chip *c = param;
    if (!c->flight_count) return 0;
    uint8_t byte = c->flight[c->flight_first];
    c->flight_first = (c->flight_first + 1) % IN_FLIGHT;
    c->flight_count--;
    avr_raise_irq(c->receive, byte);
    (void)avr;
    return c->flight_count ? when + (avr_cycle_count_t)byte_cycles : 0;
}

static void send(struct board *b, const char *bytes, size_t count)
{
    struct chip *c = of(b);
    bool idle = !c->flight_count;
    assert_true(c->flight_count + count <= IN_FLIGHT);
    for (size_t i = 0; i < count; i++)
        c->flight[(c->flight_first + c->flight_count++) % IN_FLIGHT] = (uint8_t)bytes[i];
    if (!idle) return;
    int64_t wait = c->line_free - cycle_of(c);
    avr_cycle_timer_register(c->avr, (avr_cycle_count_t)(wait > 1 ? wait : 1), next_byte, c);
}

size_t chip_waiting(struct board *b)
{
    return of(b)->flight_count;
}

static void on_sent(avr_irq_t *irq, uint32_t value, void *param)
{
    struct chip *c = param;
    int64_t now = cycle_of(c);
    (void)irq;
    if (!c->seen.sent++) c->seen.sent_first = now;
    if (c->sent_before >= 0 && now - c->sent_before > c->seen.send_gap_most)
        c->seen.send_gap_most = now - c->sent_before;
    c->sent_before = c->seen.sent_last = now;
    if (c->on_byte)
        c->on_byte(c->on_byte_arg, (uint8_t)value);
    else
        board_note_byte(&c->base, (uint8_t)value);
}

void chip_on_byte(struct board *b, void (*call)(void *arg, uint8_t byte), void *arg)
{
    of(b)->on_byte = call;
    of(b)->on_byte_arg = arg;
}

void chip_on_pin(struct board *b, void (*call)(void *arg, const struct pin_change *), void *arg)
{
    of(b)->on_pin = call;
    of(b)->on_pin_arg = arg;
}

/* Ten bits to a byte; the simulator always counts a parity bit. */
static void mend_uart(struct chip *c)
{
    for (avr_io_t *io = c->avr->io_port; io; io = io->next)
        if (io->kind && !strcmp(io->kind, "uart"))
            ((avr_uart_t *)(void *)io)->cycles_per_byte = (uint64_t)byte_cycles;
}

/* --- memory --- */

static uint32_t peek(const struct chip *c, uint16_t at, int bytes)
{
    uint32_t value = 0;
    while (bytes--)
        value = value << 8 | c->avr->data[at + bytes];
    return value;
}

static void note_runs(struct chip *c)
{
    uint8_t head = c->avr->data[c->core + c->places[HEAD]];
    for (; c->head != head; c->head++) {
        uint16_t run = (uint16_t)(c->core + c->places[QUEUE] + (c->head & 7) * c->places[RUN_SIZE]);
        board_note_run(&c->base, &(struct run_words){peek(c, (uint16_t)(run + c->places[AT]), 4),
                                                     peek(c, (uint16_t)(run + c->places[EVERY]), 4),
                                                     peek(c, (uint16_t)(run + c->places[PART]), 2),
                                                     peek(c, (uint16_t)(run + c->places[MORE]), 2),
                                                     peek(c, (uint16_t)(run + c->places[STEPS]), 2),
                                                     peek(c, (uint16_t)(run + c->places[LAST]), 1)});
    }
}

uint16_t chip_symbol(const char *name)
{
    char line[256], symbol[200];
    unsigned long address;
    FILE *f = fopen(built_firmware("staddle-rail.sym"), "r");
    if (!f) fail_msg("%s is missing: make fw", built_firmware("staddle-rail.sym"));
    while (f && fgets(line, sizeof line, f))
        if (sscanf(line, "%lx %*c %199s", &address, symbol) == 2 && !strcmp(symbol, name)) {
            fclose(f);
            return (uint16_t)(address & 0xffff);
        }
    fail_msg("no symbol %s", name);
    return 0;
}

static void read_layout(struct chip *c)
{
    uint8_t bytes[2 * PLACES];
    FILE *f = fopen(built("fw/layout.bin"), "rb");
    assert_non_null(f);
    assert_int_equal(fread(bytes, 1, sizeof bytes, f), sizeof bytes);
    fclose(f);
    for (int i = 0; i < PLACES; i++)
        c->places[i] = (uint16_t)(bytes[2 * i] | bytes[2 * i + 1] << 8);
    c->core = chip_symbol("core");
}

void chip_paint(struct board *b)
{
    uint8_t *data = of(b)->avr->data;
    uint16_t top = (uint16_t)(data[SP_ADDRESS] | data[SP_ADDRESS + 1] << 8), first = chip_symbol("_end");
    memset(data + first, PAINT, (size_t)(top - first)); /* what is in use stays */
}

int chip_stack_left(struct board *b)
{
    int left = 0;
    uint16_t first = chip_symbol("_end");
    while (first + left <= RAM_LAST && of(b)->avr->data[first + left] == PAINT)
        left++;
    return left;
}

uint8_t *chip_eeprom(struct board *b)
{
    avr_eeprom_desc_t d = {.ee = NULL, .offset = 0, .size = 1024};
    avr_ioctl(of(b)->avr, AVR_IOCTL_EEPROM_GET, &d); /* lends its own bytes */
    return d.ee;
}

/* --- running --- */

/* The simulator's own pull-ups would win over a level that is only raised once. */
static void drive_inputs(struct chip *c)
{
    static const uint8_t BITS[] = {NEAR_BIT, FAR_BIT, EMERGENCY_BIT};
    avr_ioport_external_t held = {.name = 'D'};
    for (int i = 0; i < 3; i++) {
        held.mask |= (1u << BITS[i]) & 0xffu;
        if (c->open >> i & 1) held.value |= (1u << BITS[i]) & 0xffu;
    }
    avr_ioctl(c->avr, AVR_IOCTL_IOPORT_SET_EXTERNAL('D'), &held);
    for (int i = 0; i < 3; i++)
        avr_raise_irq(c->input[i], c->open >> i & 1);
}

static void inputs(struct board *b, unsigned open)
{
    of(b)->open = open;
    drive_inputs(of(b));
}

static unsigned outputs(struct board *b)
{
    return (chip_pin(b, ENABLE_PORT, ENABLE_BIT) ? 0u : (unsigned)WIRE_MOTOR_ON) |
           (chip_pin(b, REDUCE_PORT, REDUCE_BIT) ? (unsigned)WIRE_MOTOR_REDUCED : 0u) |
           (chip_pin(b, HALF_PORT, HALF_BIT) ? (unsigned)WIRE_HALF_PRESSED : 0u) |
           (chip_pin(b, FULL_PORT, FULL_BIT) ? (unsigned)WIRE_FULL_PRESSED : 0u);
}

/* A sleeping core jumps to the next event: one lies never further away than this. */
static avr_cycle_count_t heartbeat(avr_t *avr, avr_cycle_count_t when, void *param)
{
    (void)avr;
    (void)param;
    return when + CYCLES_MS / 4;
}

static void after_reset(struct chip *c)
{
    avr_cycle_timer_register(c->avr, CYCLES_MS / 4, heartbeat, c);
    c->flight_count = 0;
    c->step = false;
    c->dir = false;
    drive_inputs(c);
}

void chip_reset_by(struct board *b, uint8_t cause)
{
    struct chip *c = of(b);
    avr_reset(c->avr);
    c->avr->data[MCUSR_ADDRESS] = cause;
    after_reset(c);
    b->seq = 0;
    b->heard_count = 0;
    b->heard[0] = '\0';
}

static void reset(struct board *b)
{
    chip_reset_by(b, EXTERNAL_RESET);
}

/* A write to TIFR1 that clears another flag takes the overflow's with it, where that is pending with
 * interrupts off; on the chip only ones clear (data sheet, TIFR1). Put back, unless its interrupt is what
 * happened. */
static void keep_overflow(struct chip *c)
{
    if (c->avr->data[TIFR1_ADDRESS] & 1 || c->avr->pc == VECTOR_OVERFLOW * 4) return;
    for (avr_io_t *io = c->avr->io_port; io; io = io->next) {
        avr_timer_t *timer = (avr_timer_t *)(void *)io;
        if (io->kind && !strcmp(io->kind, "timer") && timer->name == '1')
            avr_raise_interrupt(c->avr, &timer->overflow);
    }
    c->kept_overflows++;
}

void chip_step(struct board *b)
{
    struct chip *c = of(b);
    const bool overflown = c->avr->data[TIFR1_ADDRESS] & 1;
    int state = avr_run(c->avr);
    if (overflown) keep_overflow(c);
    if (state == cpu_Crashed || state == cpu_Done)
        fail_msg("the chip has crashed at %lx", (unsigned long)c->avr->pc);
    if (c->head != c->avr->data[c->core + c->places[HEAD]]) note_runs(c);
    b->now = cycle_of(c);
}

static void run(struct board *b, int64_t cycles)
{
    struct chip *c = of(b);
    int64_t until = cycle_of(c) + cycles;
    while (cycle_of(c) < until)
        chip_step(b);
    mend_uart(c);
}

static void close_chip(struct board *b)
{
    avr_terminate(of(b)->avr);
    free(of(b)->avr->flash);
    free(of(b)->avr->data);
    free(b);
}

static void no_sleep(avr_t *avr, avr_cycle_count_t cycles)
{
    (void)avr;
    (void)cycles;
}

static void no_words(avr_t *avr, const int level, const char *format, va_list ap)
{
    (void)avr;
    (void)level;
    (void)format;
    (void)ap;
}

static void hook(struct chip *c)
{
    avr_t *avr = c->avr;
    avr_irq_register_notify(avr_get_interrupt_irq(avr, VECTOR_STEP) + AVR_INT_IRQ_PENDING, on_match, c);
    avr_irq_register_notify(avr_get_interrupt_irq(avr, VECTOR_STEP) + AVR_INT_IRQ_RUNNING, on_step_running,
                            c);
    avr_irq_register_notify(avr_get_interrupt_irq(avr, VECTOR_RECEIVE) + AVR_INT_IRQ_PENDING, on_receive_due,
                            c);
    avr_irq_register_notify(avr_get_interrupt_irq(avr, VECTOR_RECEIVE) + AVR_INT_IRQ_RUNNING,
                            on_receive_running, c);
    c->receive = avr_io_getirq(avr, AVR_IOCTL_UART_GETIRQ('0'), UART_IRQ_INPUT);
    avr_irq_register_notify(avr_io_getirq(avr, AVR_IOCTL_UART_GETIRQ('0'), UART_IRQ_OUTPUT), on_sent, c);
    uint32_t flags = 0;
    avr_ioctl(avr, AVR_IOCTL_UART_SET_FLAGS('0'), &flags);
    static const uint8_t BITS[] = {NEAR_BIT, FAR_BIT, EMERGENCY_BIT};
    for (int i = 0; i < 3; i++)
        c->input[i] = avr_io_getirq(avr, AVR_IOCTL_IOPORT_GETIRQ('D'), BITS[i]);
    watch_pins(c);
}

static const struct board_ops OPS = {"chip", run, send, inputs, outputs, reset, close_chip};

static struct chip *power_up(void)
{
    static elf_firmware_t elf; /* its flash is copied */
    struct chip *c = calloc(1, sizeof *c);
    assert_non_null(c);
    c->base.ops = &OPS;
    avr_global_logger_set(no_words);
    memset(&elf, 0, sizeof elf);
    if (elf_read_firmware(built_firmware("staddle-rail.elf"), &elf)) fail_msg("no firmware: make fw");
    c->avr = avr_make_mcu_by_name("atmega328p");
    assert_non_null(c->avr);
    avr_init(c->avr);
    elf.frequency = 16000000;
    avr_load_firmware(c->avr, &elf);
    c->avr->frequency = 16000000;
    c->avr->run_cycle_limit = 1000;
    c->avr->sleep = no_sleep;
    c->avr->log = 0;
    read_layout(c);
    hook(c);
    after_reset(c);
    c->avr->data[MCUSR_ADDRESS] = 1; /* power */
    chip_see_anew(&c->base);
    return c;
}

struct board *board_chip_blank(void)
{
    struct chip *c = power_up();
    return &c->base;
}

struct board *board_chip(void)
{
    struct chip *c = power_up();
    struct board *b = &c->base;
    board_run_us(b, 10000);
    board_expect(b, "hello", "ok 1 0 100 15 62 8 2000000");
    board_expect(b, "save", "ok 1");
    reset(b);
    board_run_us(b, 10000);
    board_forget(b);
    chip_see_anew(b);
    return b;
}

int64_t chip_kept_overflows(struct board *b)
{
    return of(b)->kept_overflows;
}

int64_t chip_last_in(struct board *b)
{
    return of(b)->last_in;
}

void chip_poke_late_shutter(struct board *b)
{
    struct chip *c = of(b);
    c->avr->data[c->core + c->places[SHUTTER_AT] + 3] ^= 0x40; /* 2^30 ticks: 9 minutes */
}
