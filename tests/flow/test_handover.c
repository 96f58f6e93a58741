/* The hand-over, told by other programs: sha256sum and cmp of coreutils, and an RFC 4180 reader written here.
 */
#include "tests/support/test.h"

#include <sys/stat.h>
#include <unistd.h>

#include "base/fs.h"
#include "base/mem.h"
#include "report/handover.h"
#include "store/import.h"
#include "store/store.h"
#include "tests/support/camera_files.h"
#include "tests/support/faults.h"
#include "tests/support/shell.h"

#define FRAMES 8
#define WALL   978379200000000LL /* 2001-01-01T20:00:00Z */

/* A stack of eight imported frames; the second and the third have names that a careless CSV would break on.
 */
static void imported(const char *name, enum stack_order order)
{
    static const char *const names[FRAMES] = {"f1.jpg", "f2, left.jpg", "f3 \"good\".jpg", "f4.jpg",
                                              "f5.jpg", "f6.jpg",       "f7.jpg",          "f8.jpg"};
    struct import_list list;
    struct err why = {0};
    const struct stack_info info = {
        .kind = STACK_IMPORTED, .order = order, .name = "moth / wing", .created_wall_us = WALL};
    assert_int_equal(mkdir(in_folder("%s.from", name), 0777), 0);
    for (unsigned i = 0; i < FRAMES; i++)
        write_jpeg(in_folder("%s.from/%s", name, names[i]),
                   (struct shot_facts){64, 48, i + 1, "2026:11:25 23:30:00", NULL});
    assert_int_equal(import_scan(in_folder("%s.from", name), &list, &why), E_OK);
    assert_int_equal(import_make(&list, in_folder("%s", name), &info, &why), E_OK);
    import_list_clear(&list);
}

static int hand_over(const char *stack, struct handover_request rq, const char *to,
                     struct handover_result *out, struct err *why)
{
    struct store *st;
    rq.to = in_folder("%s", to);
    int rc = store_open(in_folder("%s", stack), true, &st, why);
    if (rc) return rc;
    rc = handover_make(st, &rq, out, why);
    store_close(st);
    return rc;
}

/* --- a strict reader of RFC 4180: every line ends in CRLF, quotes only around whole fields, equal columns
 * --- */

#define COLUMNS 20
#define ROWS    32
static struct {
    char cell[ROWS][COLUMNS][400];
    int rows;
} csv;

static const char *read_cell(const char *p, char *out)
{
    size_t n = 0;
    if (*p == '"') {
        for (p++; *p != '"' || p[1] == '"'; p++) {
            assert_true(*p != '\0');
            if (*p == '"') p++;
            out[n++] = *p;
        }
        p++;
    } else {
        for (; *p && !strchr(",\"\r\n", *p); p++)
            out[n++] = *p;
    }
    assert_true(n < 400);
    out[n] = '\0';
    return p;
}

static void read_csv(const char *path)
{
    uint8_t *text;
    size_t size;
    assert_int_equal(fs_read(path, 1 << 20, &text, &size, NULL), E_OK);
    csv.rows = 0;
    for (const char *p = (const char *)text; *p; csv.rows++) {
        assert_true(csv.rows < ROWS);
        for (int c = 0; c < COLUMNS; c++) {
            p = read_cell(p, csv.cell[csv.rows][c]);
            if (c + 1 < COLUMNS) assert_int_equal(*p++, ',');
        }
        assert_memory_equal(p, "\r\n", 2);
        p += 2;
    }
    mem_free(text);
}

static const char *cell(int row, const char *column)
{
    for (int c = 0; c < COLUMNS; c++)
        if (!strcmp(csv.cell[0][c], column)) return csv.cell[row][c];
    print_error("no column %s\n", column);
    _fail(__FILE__, __LINE__);
    return "";
}

/* --- what is handed over --- */

static void every_frame_arrives_byte_for_byte_with_sums_that_sha256sum_reads(void **state)
{
    (void)state;
    struct err why = {0};
    struct handover_result r;
    imported("all", ORDER_NEAR_FIRST);
    const char *before = fingerprint("all");
    assert_int_equal(hand_over("all", (struct handover_request){.all = true}, "all.to", &r, &why), E_OK);
    assert_true(r.frames == FRAMES && r.files == FRAMES && r.left_out == 0 && r.first == 0 &&
                r.last == FRAMES - 1);
    assert_string_equal(r.prefix, "2026-11-25-moth-wing-all");
    assert_int_equal(in_shell("cd all.to && sha256sum --strict -c manifest.sha256"), 0);
    assert_int_equal(
        in_shell("cd all.to && for i in 1 2 3 4 5 6 7 8; do"
                 " cmp 2026-11-25-moth-wing-all_s000$i.jpg \"$(ls ../all.from/f$i*)\" || exit 1; done"),
        0);
    assert_int_equal(in_shell("ls all.to | grep -v _s000 | tr '\\n' ' '"), 0);
    assert_string_equal(shell_out(), "README.txt manifest.sha256 record.csv record.json ");
    assert_string_equal(fingerprint("all"), before); /* the stack is as it was */
}

static void a_copy_written_to_leaves_the_original_alone(void **state)
{
    (void)state;
    struct err why = {0};
    struct handover_result r;
    imported("apart", ORDER_NEAR_FIRST);
    assert_int_equal(hand_over("apart", (struct handover_request){.all = true}, "apart.to", &r, &why), E_OK);
    assert_int_equal(in_shell("stat -c '%%h %%a' apart.to/*.jpg | sort -u"), 0);
    assert_string_equal(shell_out(), "1 644\n");
    const char *before = fingerprint("apart");
    assert_int_equal(
        in_shell("for f in apart.to/*.jpg; do printf xx | dd of=$f conv=notrunc bs=1 seek=30; done"), 0);
    assert_string_equal(fingerprint("apart"), before);
}

/* Names of the frames that arrived, as one line of their numbers. */
static const char *numbers(const char *to)
{
    assert_int_equal(in_shell("ls %s | sed -n 's/.*_s0*\\([0-9]*\\)[.]jpg/\\1/p' | tr '\\n' ' '", to), 0);
    return shell_out();
}

static void useful_frames_and_a_margin_come_without_a_gap(void **state)
{
    (void)state;
    struct err why = {0};
    struct handover_result r;
    imported("range", ORDER_NEAR_FIRST);
    assert_int_equal(hand_over("range",
                               (struct handover_request){.useful_first = 3, .useful_last = 4, .margin = 1},
                               "r1", &r, &why),
                     E_OK);
    assert_string_equal(numbers("r1"), "3 4 5 6 ");
    assert_true(r.frames == 4 && r.left_out == 4 && r.first == 2 && r.last == 5);
    assert_int_equal(hand_over("range",
                               (struct handover_request){.useful_first = 1, .useful_last = 7, .margin = 3},
                               "r2", &r, &why),
                     E_OK);
    assert_string_equal(numbers("r2"), "1 2 3 4 5 6 7 8 ");
    read_csv(in_folder("r1/record.csv"));
    assert_int_equal(csv.rows, 1 + FRAMES);
    static const char *const wanted[FRAMES] = {
        "beyond the useful frames", "beyond the useful frames", "margin", "useful", "useful", "margin",
        "beyond the useful frames", "beyond the useful frames"};
    for (int i = 0; i < FRAMES; i++) {
        char text[16];
        snprintf(text, sizeof text, "%d", i);
        assert_string_equal(cell(i + 1, "frame"), text);
        assert_string_equal(cell(i + 1, "why"), wanted[i]);
        assert_string_equal(cell(i + 1, "handed_over"), i >= 2 && i <= 5 ? "yes" : "no");
    }
    struct handover_request none[] = {{.useful_first = -1, .useful_last = -1},
                                      {.useful_first = 5, .useful_last = 4},
                                      {.useful_first = 0, .useful_last = FRAMES}};
    for (size_t i = 0; i < sizeof none / sizeof *none; i++)
        assert_int_equal(hand_over("range", none[i], "r3", &r, &why), E_INPUT);
    assert_false(fs_exists(in_folder("r3")));
}

static void shot_from_far_to_near_it_is_named_from_near_to_far(void **state)
{
    (void)state;
    struct err why = {0};
    struct handover_result r;
    imported("back", ORDER_FAR_FIRST);
    assert_int_equal(hand_over("back", (struct handover_request){.useful_first = 0, .useful_last = 2},
                               "back.to", &r, &why),
                     E_OK);
    assert_string_equal(numbers("back.to"), "6 7 8 "); /* the first three shots lie farthest */
    assert_true(r.first_slice == 6 && r.last_slice == 8);
    assert_int_equal(in_shell("cmp back.to/*_s0008.jpg back.from/f1.jpg"), 0);
}

/* The record's numbers against the files themselves. */
static void the_record_is_strict_csv_and_says_what_the_files_are(void **state)
{
    (void)state;
    struct err why = {0};
    struct handover_result r;
    imported("csv", ORDER_NEAR_FIRST);
    assert_int_equal(hand_over("csv", (struct handover_request){.all = true}, "csv.to", &r, &why), E_OK);
    read_csv(in_folder("csv.to/record.csv"));
    assert_string_equal(cell(2, "file_before"), "f2, left.jpg");
    assert_string_equal(cell(3, "file_before"), "f3 \"good\".jpg");
    assert_string_equal(cell(3, "exposure_s"), "0.250000");
    assert_string_equal(cell(3, "f_number"), "2.80");
    assert_string_equal(cell(3, "iso"), "100.00");
    assert_string_equal(cell(3, "captured"), "2026-11-25T23:30:00.000Z");
    assert_string_equal(cell(3, "position_um"), "");
    for (int i = 1; i <= FRAMES; i++) {
        assert_int_equal(
            in_shell("cd csv.to && sha256sum '%s' && stat -c %%s '%s'", cell(i, "file"), cell(i, "file")), 0);
        assert_memory_equal(shell_out(), cell(i, "sha256"), 64);
        assert_int_equal(strtol(strchr(shell_out(), '\n'), NULL, 10), strtol(cell(i, "bytes"), NULL, 10));
    }
    assert_int_equal(
        in_shell(
            "cd csv.to && jq -r '.frames[] | [.file, .sha256] | join(\"  \")' record.json | sort >../a &&"
            " sed -n 's/\\(.*\\)  \\(.*jpg\\)/\\2  \\1/p' manifest.sha256 | sort | cmp - ../a"),
        0);
    assert_int_equal(
        in_shell("jq -r '.stack.date, .stack.order, .frames[2].file_before, .frames[2].exposure_s,"
                 " (.left_out | length)' csv.to/record.json"),
        0);
    assert_string_equal(shell_out(), "2026-11-25\nnear-first\nf3 \"good\".jpg\n0.25\n0\n");
}

/* --- a planned stack with a misfire and a closing frame --- */

static struct file_row shoot(struct store *st, struct exposure_row *e, unsigned seed, enum exposure_state end)
{
    char name[64];
    uint8_t *bytes;
    size_t n;
    struct file_row f;
    const char *path = in_folder("shot.jpg");
    write_jpeg(path, (struct shot_facts){64, 48, seed, "2001:01:01 20:00:00", NULL});
    assert_int_equal(fs_read(path, 1 << 20, &bytes, &n, NULL), E_OK);
    e->nonce = e->fire_seq = e->camera_epoch = STACK_NONE;
    e->exposure_us = 250000;
    e->settle_us = 1000000;
    e->triggered_at_us = WALL + seed * 1000000LL;
    assert_int_equal(store_exposure_begin(st, e, NULL), E_OK);
    assert_int_equal(store_exposure_seen(st, e->id, "IMG_0001.JPG", (int64_t)n, NULL), E_OK);
    assert_int_equal(store_frame_name(name, sizeof name, e, "jpg", NULL), E_OK);
    assert_int_equal(store_put_frame(st, name, bytes, n, &f, NULL), E_OK);
    mem_free(bytes);
    if (end == EXPOSURE_KEPT)
        assert_int_equal(store_exposure_kept(st, e->id, &f, 1, NULL), E_OK);
    else
        assert_int_equal(store_exposure_end(st, e->id, end, "dark: the flash did not fire", &f, 1, NULL),
                         E_OK);
    return f;
}

static void planned(const char *name, bool with_choices)
{
    struct store *st;
    struct plan_slice slices[4];
    int64_t plan_id;
    const struct stack_info info = {.simulated = true, .name = "clock movement", .created_wall_us = WALL};
    for (int i = 0; i < 4; i++)
        slices[i] = (struct plan_slice){i + 1, false, 45900 * i - 45900, 73 * i};
    const struct plan plan = {
        .spacing_nm = 45900, .optics.scale_change = -0.0714, .slice_count = 4, .slices = slices};
    assert_int_equal(store_create(in_folder("%s", name), &info, &st, NULL), E_OK);
    assert_int_equal(store_add_plan(st, &plan, "", WALL, &plan_id, NULL), E_OK);
    for (int i = 1; i <= 4; i++) {
        struct exposure_row e = {.plan_id = plan_id, .slice = i, .reached_counts = 73 * i};
        if (i == 2) shoot(st, &e, 20, EXPOSURE_FAILED);
        e.attempt = 0;
        shoot(st, &e, (unsigned)i, EXPOSURE_KEPT);
    }
    struct exposure_row closing = {.purpose = PURPOSE_CLOSING, .reached_counts = 0};
    shoot(st, &closing, 9, EXPOSURE_KEPT);
    if (with_choices) {
        assert_int_equal(store_add_choice(st, 1, false, WALL, NULL), E_OK); /* slice 1: out */
        assert_int_equal(store_add_choice(st, 5, false, WALL, NULL), E_OK); /* slice 4: out, and in again */
        assert_int_equal(store_add_choice(st, 5, true, WALL, NULL), E_OK);
    }
    store_close(st);
}

static void losers_of_retakes_stay_in_the_stack_and_in_the_record(void **state)
{
    (void)state;
    struct err why = {0};
    struct handover_result r;
    planned("stack-007", false);
    assert_int_equal(hand_over("stack-007", (struct handover_request){.all = true}, "lo", &r, &why), E_OK);
    assert_string_equal(r.prefix, "2001-01-01-clock-movement-stack-007");
    assert_string_equal(numbers("lo"), "1 2 3 4 ");
    assert_int_equal(
        in_shell("cmp lo/2001-01-01-clock-movement-stack-007_s0002.jpg stack-007/frames/s0002_t2.jpg"), 0);
    read_csv(in_folder("lo/record.csv"));
    assert_int_equal(csv.rows, 7);
    assert_string_equal(cell(1, "position_um"), "-45.900");
    assert_string_equal(cell(2, "position_um"), "0.000");
    assert_string_equal(cell(3, "reached_counts"), "219");
    assert_string_equal(cell(3, "settle_ms"), "1000.000");
    assert_string_equal(cell(3, "triggered_utc"), "2001-01-01T20:00:03.000Z");
    assert_string_equal(cell(2, "file_in_stack"), "s0002_t2.jpg");
    assert_string_equal(cell(2, "try"), "2");
    assert_string_equal(cell(2, "file_before"), "IMG_0001.JPG");
    assert_string_equal(cell(5, "file_in_stack"), "s0002.jpg");
    assert_string_equal(cell(5, "handed_over"), "no");
    assert_string_equal(cell(5, "frame"), "");
    assert_string_equal(cell(5, "why"), "shot again");
    assert_string_equal(cell(5, "reason"), "dark: the flash did not fire");
    assert_string_equal(cell(6, "why"), "closing exposure");
    assert_int_equal(in_shell("test -e stack-007/frames/s0002.jpg && cat lo/README.txt"), 0);
    assert_non_null(strstr(shell_out(), "Distance between neighbours: 45.9 um.\n"));
    assert_non_null(strstr(shell_out(), "changes its size by about 7.1 %.\n"));
    assert_non_null(strstr(shell_out(), "as the simulated camera wrote them"));
}

static void a_choice_by_hand_goes_before_the_range(void **state)
{
    (void)state;
    struct err why = {0};
    struct handover_result r;
    planned("chosen", true);
    assert_int_equal(
        hand_over("chosen", (struct handover_request){.useful_first = 0, .useful_last = 1}, "ch", &r, &why),
        E_OK);
    assert_string_equal(numbers("ch"), "2 4 ");
    read_csv(in_folder("ch/record.csv"));
    assert_string_equal(cell(1, "why"), "left out by hand");
    assert_string_equal(cell(4, "why"), "chosen by hand");
}

static void equal_stacks_hand_over_equal_bytes_in_any_locale_and_time_zone(void **state)
{
    (void)state;
    assert_int_equal(mkdir(in_folder("one"), 0777), 0);
    assert_int_equal(mkdir(in_folder("two"), 0777), 0);
    planned("one/stack-001", false);
    planned("two/stack-001", false);
    assert_int_equal(in_shell("locale -a | grep -qi '^de_DE.utf'"), 0);
    assert_int_equal(
        in_shell("LC_ALL=C TZ=UTC '%s' handover one/stack-001 --to one/h --all --quiet && LC_ALL=de_DE.UTF-8"
                 " TZ=Pacific/Auckland '%s' handover two/stack-001 --to two/h --all --quiet && diff -r one/h "
                 "two/h",
                 staddle_program(), staddle_program()),
        0);
}

/* --- looking at it later --- */

static const char *differences(const char *dir)
{
    static char text[512];
    struct handover_check c;
    struct err why = {0};
    text[0] = '\0';
    assert_int_equal(handover_verify(in_folder("%s", dir), &c, &why), E_OK);
    for (int32_t i = 0; i < c.count; i++)
        snprintf(text + strlen(text), sizeof text - strlen(text), "%c %s\n", "mce"[c.rows[i].fault],
                 c.rows[i].name);
    handover_check_clear(&c);
    return text;
}

static void a_later_look_finds_what_is_missing_changed_or_extra(void **state)
{
    (void)state;
    struct err why = {0};
    struct handover_result r;
    struct handover_check c;
    imported("v", ORDER_NEAR_FIRST);
    assert_int_equal(hand_over("v", (struct handover_request){.all = true}, "v.to", &r, &why), E_OK);
    assert_string_equal(differences("v.to"), "");
    assert_int_equal(in_shell("'%s' handover --verify v.to", staddle_program()), 0);
    assert_string_equal(shell_out(), "v.to: all 11 files as handed over, and nothing else\n");
    /* one bit of one byte */
    assert_int_equal(
        in_shell(
            "cp -r v.to v.bit; cd v.bit; f=2026-11-25-moth-wing-v_s0005.jpg; b=$(od -An -tu1 -j400 -N1 $f);"
            " printf $(printf '\\\\%%03o' $((b ^ 1))) | dd of=$f conv=notrunc bs=1 seek=400; ! cmp -s $f "
            "../v.to/$f"),
        0);
    assert_string_equal(differences("v.bit"), "c 2026-11-25-moth-wing-v_s0005.jpg\n");
    assert_int_equal(
        in_shell(
            "cp -r v.to v.bad; cd v.bad; rm *_s0002.jpg record.json; mkdir sub; echo >.x; rm *_s0003.jpg;"
            " ln -s ../v.to/2026-11-25-moth-wing-v_s0003.jpg ."),
        0);
    assert_string_equal(differences("v.bad"), "e .x\nm 2026-11-25-moth-wing-v_s0002.jpg\n"
                                              "c 2026-11-25-moth-wing-v_s0003.jpg\nm record.json\ne sub\n");
    assert_int_equal(in_shell("'%s' handover --verify v.bad", staddle_program()), 1);
    assert_non_null(strstr(shell_out(), "missing: record.json\n"));
    assert_int_equal(handover_verify(in_folder("v"), &c, &why), E_INPUT);
    assert_int_equal(
        in_shell("cp -r v.to v.path; echo \"$(printf 0%%.0s $(seq 64))  ../../x\" >>v.path/manifest.sha256"),
        0);
    assert_int_equal(handover_verify(in_folder("v.path"), &c, &why), E_INPUT);
    assert_non_null(strstr(why.text, "manifest.sha256:12: "));
}

/* --- what must not happen --- */

static void other_content_is_an_error_and_stays_as_it_is(void **state)
{
    (void)state;
    imported("busy", ORDER_NEAR_FIRST);
    assert_int_equal(in_shell("mkdir mine vacant; echo precious >mine/thing"), 0);
    const char *before = fingerprint("mine");
    static const char *const wrong[][2] = {
        {"busy --to mine --all", "mine: exists already"},
        {"busy --to mine/thing --all", "mine/thing: exists already"},
        {"busy --to no/where --all", "no: no such folder"},
        {"busy --all", "handover needs STACK and --to DIR"},
        {"--to x", "handover needs STACK and --to DIR"},
        {"busy --verify mine", "--verify DIR looks at a finished hand-over"},
        {"--verify mine", "mine: no hand-over"},
        {"mine --to x --all", "mine: no stack folder"},
        {"nix --to x --all", "nix: no such folder"}};
    for (size_t i = 0; i < sizeof wrong / sizeof *wrong; i++) {
        const int status = in_shell("'%s' handover %s", staddle_program(), wrong[i][0]);
        if (status != 2 || !strstr(shell_err(), wrong[i][1]))
            print_error("%s: %d %s\n", wrong[i][0], status, shell_err());
        assert_int_equal(status, 2);
        assert_non_null(strstr(shell_err(), wrong[i][1]));
        assert_string_equal(shell_out(), "");
    }
    assert_string_equal(fingerprint("mine"), before);
    assert_int_equal(in_shell("ls -d x mine.part*"), 2);
    assert_int_equal(in_shell("'%s' handover busy --to vacant/ --all --quiet && cd vacant && sha256sum "
                              "--quiet -c manifest.sha256",
                              staddle_program()),
                     0);
}

static void a_frame_that_rotted_in_the_stack_is_not_handed_over(void **state)
{
    (void)state;
    struct err why = {0};
    struct handover_result r;
    imported("rot", ORDER_NEAR_FIRST);
    assert_int_equal(
        in_shell("cd rot/frames; chmod +w s0004.jpg; printf x | dd of=s0004.jpg conv=notrunc bs=1 seek=500"),
        0);
    assert_int_equal(hand_over("rot", (struct handover_request){.all = true}, "rot.to", &r, &why), E_DAMAGED);
    assert_non_null(strstr(why.text, "s0004.jpg: has changed since it was shot"));
    assert_int_equal(in_shell("rm -f rot/frames/s0004.jpg"), 0);
    assert_int_equal(hand_over("rot", (struct handover_request){.all = true}, "rot.to", &r, &why), E_DAMAGED);
    assert_non_null(strstr(why.text, "missing"));
    assert_int_equal(in_shell("ls -d rot.to*"), 2);
}

/* As a user without rights, also when the tests run as root: the program is copied to where that user may
 * read it. */
static void a_stack_in_an_archive_is_read_without_writing_there(void **state)
{
    (void)state;
    static const char as_nobody[] = "$([ $(id -u) = 0 ] && echo setpriv --reuid=65534 --clear-groups)";
    imported("archive", ORDER_NEAR_FIRST);
    assert_int_equal(
        in_shell("cp '%s' program && chmod a+rx . program && chmod -R a-w archive && mkdir -m 777 free",
                 staddle_program()),
        0);
    const char *before = fingerprint("archive");
    assert_int_equal(in_shell("%s ./program handover archive --to free/h --all --quiet", as_nobody), 0);
    assert_int_equal(in_shell("cd free/h && sha256sum --quiet -c manifest.sha256"), 0);
    assert_int_equal(in_shell("%s ./program handover archive --to archive/h --all", as_nobody), 2);
    assert_non_null(strstr(shell_err(), "no right to write there; choose another folder"));
    assert_string_equal(fingerprint("archive"), before);
}

static void a_failed_handover_leaves_nothing_and_can_be_repeated(void **state)
{
    (void)state;
    struct handover_result r;
    planned("sweep", false);
    const char *before = fingerprint("sweep");
    long n = 0, calls;
    for (bool failed = true; failed; n++) {
        struct err why = {0};
        faults_at(n + 1);
        const int rc = hand_over("sweep", (struct handover_request){.all = true}, "sweep.to", &r, &why);
        calls = faults_calls();
        failed = faults_happened();
        faults_at(0);
        assert_true(failed ? rc == E_IO || rc == E_FULL : rc == E_OK);
        if (failed) assert_int_equal(in_shell("ls -d sweep.to*"), 2);
    }
    assert_int_equal(in_shell("cd sweep.to && sha256sum --quiet -c manifest.sha256 && ls | wc -l"), 0);
    assert_string_equal(shell_out(), "8\n");
    assert_string_equal(fingerprint("sweep"), before);
    assert_int_equal(n - 1, calls);
    assert_true(calls >= 8 * 4); /* a write, two syncs and a rename for each of eight files */
    printf("measured: a hand-over of 4 frames failed at each of %ld writes, syncs and renames, and left "
           "nothing\n",
           calls);
}

/* The n-th allocation fails, for every n, in an import and a hand-over of it. */
static void an_allocation_that_fails_is_told_and_leaves_nothing(void **state)
{
    (void)state;
    struct handover_result r;
    long n = 0;
    int rc = E_NOMEM;
    imported("memory", ORDER_NEAR_FIRST);
    for (; rc; n++) {
        struct err why = {0};
        mem_fail_at(n + 1);
        rc = hand_over("memory", (struct handover_request){.all = true}, "memory.to", &r, &why);
        mem_fail_at(0);
        if (!rc) break;
        assert_int_equal(rc, E_NOMEM);
        assert_int_equal(in_shell("ls -d memory.to*"), 2);
    }
    assert_true(n >= 5);
    printf("measured: a hand-over told of each of %ld failed allocations, and left nothing\n", n);
    for (n = 0, rc = E_NOMEM; rc; n++) {
        struct import_list list;
        struct err why = {0};
        const struct stack_info info = {.kind = STACK_IMPORTED, .name = "memory", .created_wall_us = WALL};
        mem_fail_at(n + 1);
        rc = import_scan(in_folder("memory.from"), &list, &why);
        if (!rc) {
            rc = import_make(&list, in_folder("memory.again"), &info, &why);
            import_list_clear(&list);
        }
        mem_fail_at(0);
        if (rc) {
            assert_int_equal(rc, E_NOMEM);
            assert_int_equal(in_shell("ls -d memory.again*"), 2);
        }
    }
    assert_true(n >= 10);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(every_frame_arrives_byte_for_byte_with_sums_that_sha256sum_reads),
        cmocka_unit_test(a_copy_written_to_leaves_the_original_alone),
        cmocka_unit_test(useful_frames_and_a_margin_come_without_a_gap),
        cmocka_unit_test(shot_from_far_to_near_it_is_named_from_near_to_far),
        cmocka_unit_test(the_record_is_strict_csv_and_says_what_the_files_are),
        cmocka_unit_test(losers_of_retakes_stay_in_the_stack_and_in_the_record),
        cmocka_unit_test(a_choice_by_hand_goes_before_the_range),
        cmocka_unit_test(equal_stacks_hand_over_equal_bytes_in_any_locale_and_time_zone),
        cmocka_unit_test(a_later_look_finds_what_is_missing_changed_or_extra),
        cmocka_unit_test(other_content_is_an_error_and_stays_as_it_is),
        cmocka_unit_test(a_frame_that_rotted_in_the_stack_is_not_handed_over),
        cmocka_unit_test(a_stack_in_an_archive_is_read_without_writing_there),
        cmocka_unit_test(a_failed_handover_leaves_nothing_and_can_be_repeated),
        cmocka_unit_test(an_allocation_that_fails_is_told_and_leaves_nothing),
    };
    faults_at(0); /* no sync of ours reaches the disk: nobody pulls the plug here */
    return cmocka_run_group_tests(tests, NULL, NULL);
}
