/* What every link has to do (src/device/link.h), in this process, over a pseudo-terminal, through a line
 * without faults, and through libserialport, for which tests/preload/port.c makes a pseudo-terminal look like
 * a serial port; then what opening and losing a port does. The other end is the firmware behind a port of its
 * own. */
#include "tests/support/test.h"

#include <fcntl.h>
#include <grp.h>
#include <pwd.h>
#include <signal.h>
#include <sys/stat.h>
#include <sys/wait.h>
#include <termios.h>
#include <unistd.h>

#include "device/backends.h"
#include "device/link_fault.h"
#include "device/link_mem.h"
#include "device/link_pty.h"
#include "device/link_serial.h"
#include "tests/support/rail_rig.h"

#define SERIAL_NAME "/dev/ttyTEST0" /* what the preloaded shim answers to */
#define SECOND_US   1000000

/* --- an open link with the firmware behind it --- */

struct there {
    struct sched *sched;
    struct native_rail *here; /* in this process, or */
    struct virtual_rail process;
    bool has_process;
    struct link *link;
    char heard[8192];
    size_t count;
    int gone;
    bool inside_send, heard_in_send;
};

static void hear(void *arg, const uint8_t *bytes, size_t count)
{
    struct there *t = arg;
    if (t->inside_send) t->heard_in_send = true;
    if (!count) t->gone++;
    assert_true(t->count + count < sizeof t->heard);
    if (count) memcpy(t->heard + t->count, bytes, count);
    t->count += count;
    t->heard[t->count] = '\0';
}

static void start(struct there *t, const char *reset)
{
    memset(t, 0, sizeof *t);
    t->sched = sched_new_real(NULL);
    t->has_process = true;
    virtual_rail_start(&t->process, (const char *const[]){"--seed", "9", "--reset-on-open", reset, "--baud",
                                                          "1000000", NULL});
    setenv("PORT_NAME", SERIAL_NAME, 1);
    setenv("PORT_PTY", t->process.port, 1);
}

static void attach(struct there *t, struct link *link)
{
    t->link = link;
    link->receive = hear;
    link->receive_arg = t;
}

static void open_mem(struct there *t)
{
    memset(t, 0, sizeof *t);
    t->sched = sched_new_virtual(NULL);
    t->here = native_rail_new(t->sched, &(struct native_rail_opts){.seed = 9}, NULL);
    attach(t, link_mem_open(t->sched, t->here, NULL, NULL));
}

static void open_pty(struct there *t)
{
    struct link *link;
    struct err why = {0};
    start(t, "off");
    if (link_pty_open(t->sched, t->process.port, &link, &why)) fail_msg("%s", why.text);
    attach(t, link);
}

static void open_serial(struct there *t)
{
    struct link *link;
    struct err why = {0};
    start(t, "off");
    if (link_serial_open(t->sched, SERIAL_NAME, 0, &link, &why)) fail_msg("%s", why.text);
    attach(t, link);
}

static void open_fault_mem(struct there *t)
{
    open_mem(t);
    attach(t, link_fault_open(t->sched, t->link, &(struct link_fault_opts){.seed = 1}, NULL));
}

static void open_fault_pty(struct there *t)
{
    open_pty(t);
    attach(t, link_fault_open(t->sched, t->link, &(struct link_fault_opts){.seed = 1}, NULL));
}

static const struct link_case {
    const char *name;
    void (*open)(struct there *);
} LINKS[] = {
    {"in this process", open_mem},
    {"pseudo-terminal", open_pty},
    {"serial port", open_serial},
    {"no faults, in this process", open_fault_mem},
    {"no faults, pseudo-terminal", open_fault_pty},
};
#define FOR_EACH_LINK(l)                                                                                     \
    for (const struct link_case *l = LINKS; l < LINKS + sizeof LINKS / sizeof *LINKS; l++)

static void finish(struct there *t)
{
    if (t->link) t->link->ops->close(t->link);
    native_rail_free(t->here);
    if (t->has_process) virtual_rail_stop(&t->process, NULL, NULL);
    sched_free(t->sched);
}

static void send_text(struct there *t, const char *text, size_t count)
{
    t->inside_send = true;
    assert_int_equal(t->link->ops->send(t->link, text, count, NULL), 0);
    t->inside_send = false;
}

/* Until so many lines have come, a second at most. */
static void hear_lines(struct there *t, int lines)
{
    int64_t until = sched_now_us(t->sched) + SECOND_US;
    for (;;) {
        int n = 0;
        for (size_t i = 0; i < t->count; i++)
            n += t->heard[i] == '\n';
        if (n >= lines) return;
        if (!sched_step(t->sched, until)) fail_msg("%d of %d lines: '%s'", n, lines, t->heard);
    }
}

static void forget(struct there *t)
{
    t->count = 0;
    t->heard[0] = '\0';
}

/* The part of the only line heard from ok or no on, without the checksum; the nonce before it. */
static const char *answer(struct there *t, const char *words, uint8_t seq, unsigned *nonce)
{
    static char line[128];
    const char *request = rig_line(seq, words);
    forget(t);
    send_text(t, request, strlen(request));
    hear_lines(t, 1);
    unsigned got_seq, length;
    assert_int_equal(sscanf(t->heard, "%2x %2x %4x", &got_seq, &length, nonce), 3);
    assert_int_equal(got_seq, seq);
    assert_int_equal(length, strcspn(t->heard, "\r\n"));
    snprintf(line, sizeof line, "%.*s", (int)length - 16, t->heard + 11);
    return line;
}

/* The boot line, where one waits, is heard first. */
static void settle(struct there *t)
{
    int64_t until = sched_now_us(t->sched) + 50000;
    while (sched_step(t->sched, until))
        ;
    forget(t);
}

/* --- the contract --- */

static void what_is_sent_arrives_and_is_answered(void **state)
{
    (void)state;
    FOR_EACH_LINK(l)
    {
        struct there t;
        unsigned nonce;
        l->open(&t);
        settle(&t);
        assert_string_equal(answer(&t, "hello", 1, &nonce), "ok 1 0 100 15 62 8 2000000");
        assert_string_equal(answer(&t, "read 0", 2, &nonce), "ok 16000");
        finish(&t);
    }
}

static void bytes_one_by_one_are_the_same_line(void **state)
{
    (void)state;
    FOR_EACH_LINK(l)
    {
        struct there t;
        l->open(&t);
        settle(&t);
        const char *request = rig_line(1, "hello");
        for (const char *c = request; *c; c++)
            send_text(&t, c, 1);
        hear_lines(&t, 1);
        assert_non_null(strstr(t.heard, " ok 1 0 100 "));
        finish(&t);
    }
}

static void two_hundred_lines_come_back_whole_and_in_order(void **state)
{
    (void)state;
    FOR_EACH_LINK(l)
    {
        struct there t;
        unsigned nonce;
        char words[32], wanted[32];
        l->open(&t);
        settle(&t);
        answer(&t, "hello", 1, &nonce);
        for (int i = 0; i < 100; i++) {
            snprintf(words, sizeof words, "set 0 %d", 1000 + i);
            snprintf(wanted, sizeof wanted, "ok %d", 1000 + i);
            assert_string_equal(answer(&t, words, (uint8_t)(2 + 2 * i), &nonce), "ok");
            assert_string_equal(answer(&t, "read 0", (uint8_t)(3 + 2 * i), &nonce), wanted);
        }
        finish(&t);
    }
}

/* The caller asks from within its own bookkeeping; an answer must not come into the middle of that. */
static void nothing_is_heard_before_send_has_returned(void **state)
{
    (void)state;
    FOR_EACH_LINK(l)
    {
        struct there t;
        unsigned nonce;
        l->open(&t);
        settle(&t);
        for (uint8_t i = 1; i < 20; i++)
            answer(&t, "hello", i, &nonce);
        assert_false(t.heard_in_send);
        finish(&t);
    }
}

static void a_dead_controller_is_told_once(void **state)
{
    (void)state;
    FOR_EACH_LINK(l)
    {
        struct there t;
        l->open(&t);
        if (t.has_process) {
            settle(&t);
            assert_int_equal(virtual_rail_stop(&t.process, NULL, NULL), 0);
            t.has_process = false;
            settle(&t);
            assert_int_equal(t.gone, 1);
        }
        finish(&t);
    }
}

/* --- a line with faults --- */

static void a_planned_cut_lets_everything_through_before_it(void **state)
{
    (void)state;
    struct there t;
    unsigned nonce;
    open_mem(&t);
    settle(&t);
    struct link_fault_opts o = {.there.cut_at = 31};
    attach(&t, link_fault_open(t.sched, t.link, &o, NULL));
    answer(&t, "hello", 1, &nonce); /* 17 bytes with LF */
    const char *second = rig_line(2, "state");
    forget(&t);
    send_text(&t, second, strlen(second)); /* the cut comes before its 14th byte */
    settle(&t);
    assert_int_equal(t.count, 0);
    assert_int_equal(t.gone, 1);
    send_text(&t, second, strlen(second));
    settle(&t);
    assert_int_equal(t.count, 0);
    assert_int_equal(t.gone, 1);
    finish(&t);
}

/* '=' two hundred times, each answered by a line of a known text. */
static void ask_by_hand(const struct link_fault_opts *o, struct link_fault_counts *counts, char *out)
{
    struct there t;
    open_mem(&t);
    settle(&t);
    attach(&t, link_fault_open(t.sched, t.link, o, NULL));
    *out = '\0';
    for (int i = 0; i < 200; i++) {
        send_text(&t, "=\n", 2);
        int64_t until = sched_now_us(t.sched) + 50000;
        while (sched_step(t.sched, until))
            ;
        strcat(out, t.heard);
        forget(&t);
    }
    link_fault_get_counts(t.link, counts);
    finish(&t);
}

static void check_share(int64_t happened, int64_t of, int one_in)
{
    double share = 1.0 / one_in, mean = (double)of * share;
    assert_near((double)happened, mean, 5 * sqrt(mean * (1 - share))); /* binomial */
}

static void each_fault_happens_as_often_as_it_was_asked_for(void **state)
{
    (void)state;
    static char heard[65536];
    static const char WHOLE[] = "=rest at 0 unknown target 0 alarm 0 switches 0\n";
    const int64_t bytes = 200 * (int64_t)(sizeof WHOLE - 1);
    struct link_fault_counts c;
    ask_by_hand(&(struct link_fault_opts){.seed = 4, .back = {.double_in = 3}}, &c, heard);
    assert_int_equal(c.back, bytes);
    check_share(c.doubled, bytes, 3);
    assert_int_equal(strlen(heard), bytes + c.doubled);
    ask_by_hand(&(struct link_fault_opts){.seed = 5, .back = {.drop_in = 10}}, &c, heard);
    check_share(c.dropped, bytes, 10);
    assert_int_equal(strlen(heard), bytes - c.dropped);
    ask_by_hand(&(struct link_fault_opts){.seed = 6, .there = {.delay_in = 2, .delay_us = 20000}}, &c, heard);
    check_share(c.delayed, 200, 2);
    for (int i = 0; i < 200; i++)
        assert_int_equal(strncmp(heard + (size_t)i * (sizeof WHOLE - 1), WHOLE, sizeof WHOLE - 1), 0);
    ask_by_hand(&(struct link_fault_opts){.seed = 7, .there = {.corrupt_in = 2}}, &c, heard);
    check_share(c.corrupted, 400, 2);
    assert_true(strlen(heard) < (size_t)bytes * 2 / 3); /* whatever a byte became, it is not what it was */
}

/* --- opening and losing a port --- */

static void open_port(struct there *t, bool serial)
{
    struct link *link;
    struct err why = {0};
    int rc = serial ? link_serial_open(t->sched, SERIAL_NAME, 0, &link, &why)
                    : link_pty_open(t->sched, t->process.port, &link, &why);
    if (rc) fail_msg("%s", why.text);
    attach(t, link);
    settle(t);
}

static unsigned nonce_of(struct there *t, uint8_t seq)
{
    unsigned nonce;
    answer(t, "hello", seq, &nonce);
    return nonce;
}

static void close_port(struct there *t)
{
    t->link->ops->close(t->link);
    t->link = NULL;
    virtual_rail_rests(&t->process);
}

/* A board that restarts at each opening, one that never does, and a common one, whose reset hangs on DTR:
 * there it depends on who was the last to close the port. */
static void a_restart_at_opening_shows_in_the_nonce(void **state)
{
    (void)state;
    static const char *const WHEN[] = {"on", "off", "dtr"};
    for (int serial = 0; serial < 2; serial++)
        for (int i = 0; i < 3; i++) {
            struct there t;
            start(&t, WHEN[i]);
            open_port(&t, serial);
            unsigned first = nonce_of(&t, 1);
            close_port(&t);
            open_port(&t, serial);
            unsigned second = nonce_of(&t, 1);
            if ((first != second) != (i == 0)) print_error("--reset-on-open %s\n", WHEN[i]);
            assert_int_equal(first != second, i == 0);
            close_port(&t);
            if (i == 2) { /* a program that leaves HUPCL as the system sets it */
                struct termios s;
                int fd = open(t.process.port, O_RDWR | O_NOCTTY);
                assert_int_equal(tcgetattr(fd, &s), 0);
                assert_int_equal(s.c_cflag & HUPCL, 0); /* ours left it cleared */
                s.c_cflag |= HUPCL;
                tcsetattr(fd, TCSANOW, &s);
                close(fd);
                virtual_rail_rests(&t.process);
                open_port(&t, serial);
                assert_int_not_equal(nonce_of(&t, 1), second);
                close_port(&t);
            }
            finish(&t);
        }
}

/* The host is killed with the port open: DTR stays, and the next host finds the controller as it was. */
static void a_killed_host_restarts_nothing(void **state)
{
    (void)state;
    for (int serial = 0; serial < 2; serial++) {
        struct there t;
        int ready[2];
        char byte;
        start(&t, "dtr");
        open_port(&t, serial);
        unsigned before = nonce_of(&t, 1);
        close_port(&t);
        assert_int_equal(pipe(ready), 0);
        pid_t host = fork();
        if (!host) {
            struct link *link;
            int rc = serial ? link_serial_open(t.sched, SERIAL_NAME, 0, &link, NULL)
                            : link_pty_open(t.sched, t.process.port, &link, NULL);
            if (!rc && write(ready[1], "r", 1) == 1) pause();
            _exit(1);
        }
        assert_int_equal(read(ready[0], &byte, 1), 1);
        kill(host, SIGKILL);
        waitpid(host, NULL, 0);
        virtual_rail_rests(&t.process);
        open_port(&t, serial);
        assert_int_equal(nonce_of(&t, 2), before);
        close(ready[0]);
        close(ready[1]);
        finish(&t);
    }
}

static char *read_log(const char *path)
{
    static char text[4096];
    FILE *f = fopen(path, "r");
    assert_non_null(f);
    text[fread(text, 1, sizeof text - 1, f)] = '\0';
    fclose(f);
    return text;
}

/* After the library's own opening: HUPCL is cleared first, comes back in no later setting, the port is
 * claimed, and nothing ever drops a modem line. */
static void a_serial_port_is_opened_in_the_order_of_the_specification(void **state)
{
    (void)state;
    struct there t;
    char path[200];
    snprintf(path, sizeof path, "%s/port.log", test_folder());
    setenv("PORT_LOG", path, 1);
    open_serial(&t);
    settle(&t);
    finish(&t);
    unsetenv("PORT_LOG");
    const char *log = read_log(path);
    const char *cleared = strstr(log, "set hupcl=0"), *claimed = strstr(log, "exclusive 1");
    if (!cleared || !claimed) print_error("%s\n", log);
    assert_non_null(cleared);
    assert_non_null(claimed);
    assert_true(cleared < claimed);
    assert_null(strstr(cleared, "set hupcl=1"));
    assert_null(strstr(log, "drop"));
    assert_non_null(strstr(claimed, "close"));
}

static void a_port_in_use_is_refused_with_the_name_of_its_user(void **state)
{
    (void)state;
    struct there t;
    struct link *link;
    struct err why = {0};
    int ready[2];
    char byte, wanted[200];
    start(&t, "off");
    assert_int_equal(pipe(ready), 0);
    pid_t host = fork();
    if (!host) {
        if (!link_pty_open(t.sched, t.process.port, &link, NULL) && write(ready[1], "r", 1) == 1) pause();
        _exit(1);
    }
    assert_int_equal(read(ready[0], &byte, 1), 1);
    assert_int_equal(link_pty_open(t.sched, t.process.port, &link, &why), E_STATE);
    snprintf(wanted, sizeof wanted, "rail: %s is in use by test_links (process %d); end that first",
             t.process.port, (int)host);
    assert_string_equal(why.text, wanted);
    assert_int_equal(link_serial_open(t.sched, SERIAL_NAME, 0, &link, &why), E_STATE);
    assert_non_null(strstr(why.text, SERIAL_NAME " is in use by"));
    kill(host, SIGKILL);
    waitpid(host, NULL, 0);
    /* and is free again when its user is dead */
    open_port(&t, false);
    nonce_of(&t, 1);
    close(ready[0]);
    close(ready[1]);
    finish(&t);
}

static void check_refused(const char *path, enum errc code, const char *text)
{
    struct sched *s = sched_new_real(NULL);
    struct bench bench = {0};
    const struct link_backend *row;
    struct link *link;
    struct err why = {0};
    snprintf(bench.axis.link, sizeof bench.axis.link, "%s", path);
    int rc = backend_link(path, &row, &why);
    if (!rc) rc = row->open(&(struct backend_env){.sched = s, .bench = &bench}, &link, &why);
    print_message("printed: %s\n", why.text);
    assert_int_equal(rc, code);
    assert_non_null(strstr(why.text, text));
    sched_free(s);
}

static void what_is_no_port_is_said(void **state)
{
    (void)state;
    char file[200];
    snprintf(file, sizeof file, "%s/file", test_folder());
    FILE *f = fopen(file, "w");
    assert_non_null(f);
    fclose(f);
    check_refused("/dev/ttyNONE9", E_INPUT, "/dev/ttyNONE9: there is no such port; is the cable in");
    check_refused("/dev/pts/9999", E_INPUT, "there is no such port");
    check_refused(file, E_INPUT, "is no serial port");
    check_refused("/dev/null", E_INPUT, "is no serial port");
    check_refused("usb", E_UNSUPPORTED,
                  "axis.link usb: there is no such link; use simulated, or the path of a port");
}

static void a_forbidden_port_is_said_with_what_to_do(void **state)
{
    (void)state;
    struct there t;
    int status = -1;
    const struct passwd *nobody = getpwnam("nobody");
    const struct group *tty = getgrnam("tty");
    start(&t, "off");
    if (geteuid() == 0 && nobody && tty) { /* else we are allowed nothing to try it with */
        assert_int_equal(chown(t.process.port, 0, tty->gr_gid) | chmod(t.process.port, 0660), 0);
        pid_t other = fork();
        if (!other) {
            struct link *link;
            struct err why = {0};
            if (setgid(nobody->pw_gid) || setuid(nobody->pw_uid)) _exit(2);
            int rc = link_pty_open(t.sched, t.process.port, &link, &why);
            printf("printed: %s\n", why.text);
            fflush(stdout);
            _exit(rc == E_STATE && strstr(why.text, "'sudo adduser $USER tty'") ? 0 : 1);
        }
        waitpid(other, &status, 0);
        assert_int_equal(status, 0);
    }
    finish(&t);
}

/* --- what answers is not a rail controller --- */

static void babble_until_gone(bool babbling, const char *text)
{
    struct sched *s = sched_new_real(NULL);
    struct link *link;
    struct axis *ax;
    struct axis_state st = {0};
    char name[64];
    int master = posix_openpt(O_RDWR | O_NOCTTY | O_NONBLOCK);
    assert_int_equal(grantpt(master) + unlockpt(master) + ptsname_r(master, name, sizeof name), 0);
    assert_int_equal(link_pty_open(s, name, &link, NULL), 0);
    assert_int_equal(axis_rail_open(s, link, &(struct axis_rail_opts){.port = "the port"}, &ax, NULL), 0);
    while (st.phase != AXIS_GONE) {
        assert_true(sched_now_us(s) < 5 * SECOND_US);
        sched_step(s, sched_now_us(s) + 10000);
        char heard[512];
        if (read(master, heard, sizeof heard) > 0 && babbling)
            assert_int_equal(write(master, "$ what?\r\n", 9), 9);
        axis_poll(ax, &st, NULL);
    }
    assert_int_equal(st.why.code, E_TIMEOUT);
    assert_non_null(strstr(st.why.text, text));
    print_message("printed: %s\n", st.why.text);
    axis_close(ax);
    close(master);
    sched_free(s);
}

static void another_device_is_told_from_none(void **state)
{
    (void)state;
    babble_until_gone(true, "what answers there is no rail controller, or axis.baud is wrong");
    babble_until_gone(false, "is the controller powered?");
}

/* --- the rail as a whole over an opening --- */

static struct axis_state rest(struct sched *s, struct axis *ax)
{
    struct axis_state st;
    for (int64_t until = sched_now_us(s) + 20 * SECOND_US;;) {
        axis_poll(ax, &st, NULL);
        if (st.phase == AXIS_REST || st.phase == AXIS_GONE) return st;
        assert_true(sched_step(s, until));
    }
}

static void a_rail_knows_its_place_after_reopening_unless_it_was_restarted(void **state)
{
    (void)state;
    for (int i = 0; i < 4; i++) {
        bool resets = i & 1, serial = i & 2;
        struct there t;
        struct axis *ax;
        struct axis_rail_opts o = {.port = "the port", .baud = 1000000};
        start(&t, resets ? "on" : "off");
        open_port(&t, serial);
        assert_int_equal(axis_rail_open(t.sched, t.link, &o, &ax, NULL), 0);
        int64_t began = sched_now_us(t.sched);
        assert_int_equal(rest(t.sched, ax).phase, AXIS_REST);
        /* 2.5 s of silence on a real port, where opening may have restarted the board; the boot line was
         * heard by open_port already */
        if (serial) assert_true(sched_now_us(t.sched) - began > 2500000);
        assert_int_equal(axis_here(ax, 700, NULL), 0);
        while (rest(t.sched, ax).known != AXIS_KNOWN)
            assert_true(sched_step(t.sched, sched_now_us(t.sched) + SECOND_US));
        axis_close(ax);
        t.link = NULL;
        virtual_rail_rests(&t.process);
        struct link *link;
        int rc = serial ? link_serial_open(t.sched, SERIAL_NAME, 0, &link, NULL)
                        : link_pty_open(t.sched, t.process.port, &link, NULL);
        assert_int_equal(rc, 0);
        assert_int_equal(axis_rail_open(t.sched, link, &o, &ax, NULL), 0);
        began = sched_now_us(t.sched);
        struct axis_state st = rest(t.sched, ax);
        assert_int_equal(st.phase, AXIS_REST);
        assert_int_equal(st.known, resets ? AXIS_UNKNOWN : AXIS_KNOWN);
        assert_int_equal(st.position_counts, resets ? 0 : 700);
        /* a boot line ends the wait */
        if (serial && resets) assert_true(sched_now_us(t.sched) - began < 500000);
        axis_close(ax);
        finish(&t);
    }
}

int main(int argc, char **argv)
{
    (void)argc;
    if (!getenv("LD_PRELOAD")) {
        char self[600];
        setenv("LD_PRELOAD", built("tests/preload/port.so"), 1);
        ssize_t n = readlink("/proc/self/exe", self, sizeof self - 1);
        if (n > 0) execv((self[n] = '\0', self), argv);
        return 1;
    }
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(what_is_sent_arrives_and_is_answered),
        cmocka_unit_test(bytes_one_by_one_are_the_same_line),
        cmocka_unit_test(two_hundred_lines_come_back_whole_and_in_order),
        cmocka_unit_test(nothing_is_heard_before_send_has_returned),
        cmocka_unit_test(a_dead_controller_is_told_once),
        cmocka_unit_test(a_planned_cut_lets_everything_through_before_it),
        cmocka_unit_test(each_fault_happens_as_often_as_it_was_asked_for),
        cmocka_unit_test(a_restart_at_opening_shows_in_the_nonce),
        cmocka_unit_test(a_killed_host_restarts_nothing),
        cmocka_unit_test(a_serial_port_is_opened_in_the_order_of_the_specification),
        cmocka_unit_test(a_port_in_use_is_refused_with_the_name_of_its_user),
        cmocka_unit_test(what_is_no_port_is_said),
        cmocka_unit_test(a_forbidden_port_is_said_with_what_to_do),
        cmocka_unit_test(another_device_is_told_from_none),
        cmocka_unit_test(a_rail_knows_its_place_after_reopening_unless_it_was_restarted),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
