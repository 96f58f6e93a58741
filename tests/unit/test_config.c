/* Bench and job files: what is read, and what a person is told when something is wrong. The messages are this
 * project's own; what is checked is that each names the file, the line and what to do. */
#include "tests/support/test.h"

#include <locale.h>
#include <unistd.h>

#include "base/mem.h"
#include "config/config.h"

#define CAMERA "camera:\n  width_px: 1800\n  height_px: 1200\n  sensor_width_mm: 24\n"
#define BENCH                                                                                                \
    "camera:\n  width_px: 1800\n  height_px: 1200\n  sensor_width_mm: 24\n"                                  \
    "axis:\n  lead_mm: 2\n  steps_per_rev: 200\n  microsteps: 16\n"
#define JOB "magnification: 4\nnear_mm: 0\nfar_mm: 3.4\n"

struct bad {
    const char *text, *message;
};

static void check_message(const char *got, const struct bad *bad, int index)
{
    if (!strcmp(got, bad->message)) return;
    print_error("case %d:\n%s\nsays:  %s\nwants: %s\n", index, bad->text, got, bad->message);
    assert_string_equal(got, bad->message);
}

static void every_bad_bench_is_told_with_its_line(void **state)
{
    (void)state;
    static const struct bad table[] = {
        {"", "b.yaml:1: the file is empty; a bench file has keys in it"},
        {"# only a remark\n", "b.yaml:1: the file is empty; a bench file has keys in it"},
        {"axis:\n  baud: 9600\n",
         "b.yaml:2: axis.baud: 9600 is out of range; write a whole number from 115200 to 250000"},
        {BENCH "  baud: 200000\nlens:\n  f_number: 4\n",
         "b.yaml:9: axis.baud 200000 is not spoken by a controller; write 250000, or 115200 if it was built "
         "for it"},
        {BENCH "  world: a-socket\nlens:\n  f_number: 4\n",
         "b.yaml:9: axis.world is for a virtual rail behind a port; give that port as axis.link, or leave it "
         "out"},
        {"camera:\n  width_px: 1800\n  height_px: 1200\n  sensor_width_mm: 24\naxis:\n  lead_mm: 2\n",
         "b.yaml:6: axis.steps_per_rev is missing; write a whole number from 1 to 100000"},
        {"camera:\n  width_px: 1800\n  height_px: 1200\n  sensor_width_mm: 24\naxis:\n  kind: hand\n  "
         "lead_mm: "
         "2\n",
         "b.yaml:6: axis.marks_per_turn is missing; write how many marks the knob's scale has, a whole "
         "number "
         "from 1 to 100000"},
        {"camera:\n  width_px: 1800\n  height_px: 1200\n  sensor_width_mm: 24\naxis:\n  kind: hand\n  "
         "lead_mm: "
         "2\n  marks_per_turn: 50\n  link: simulated\n",
         "b.yaml:9: axis.link is for a motor rail; leave it out, or write another kind"},
        {BENCH "  marks_per_turn: 50\n",
         "b.yaml:9: axis.marks_per_turn is for a knob turned by hand; leave it out, or write another kind"},
        {"camera:\n  kind: folder\n  width_px: 1800\n  height_px: 1200\n  sensor_width_mm: 24\naxis:\n  "
         "lead_mm: "
         "2\n  steps_per_rev: 200\n  microsteps: 16\n",
         "b.yaml:2: camera.folder is missing; write the folder into which the frames come"},
        {"camera:\n  folder: in\n  width_px: 1800\n  height_px: 1200\n  sensor_width_mm: 24\naxis:\n  "
         "lead_mm: "
         "2\n  steps_per_rev: 200\n  microsteps: 16\n",
         "b.yaml:2: camera.folder is for a camera of kind folder; leave it out, or write another kind"},
        {"camera:\n  port: usb\n  width_px: 1800\n  height_px: 1200\n  sensor_width_mm: 24\naxis:\n  "
         "lead_mm: "
         "2\n  steps_per_rev: 200\n  microsteps: 16\n",
         "b.yaml:2: camera.port is for a camera of kind tethered; leave it out, or write another kind"},
        {"camera:\n  kind: cable\n  width_px: 1800\n  height_px: 1200\n  sensor_width_mm: 24\naxis:\n  "
         "kind: hand\n  lead_mm: 2\n  marks_per_turn: 50\nlens: {f_number: 4}\n",
         "b.yaml:2: camera.kind cable is fired by the rail's controller, and axis.kind hand has none; write "
         "axis.kind rail, or another camera"},
        {"camera:\n  kind: cable\n  width_px: 1800\n  height_px: 1200\n  sensor_width_mm: 24\naxis:\n  "
         "link: /dev/null\n  world: w\n  lead_mm: 2\n  steps_per_rev: 200\n  microsteps: 16\nlens: "
         "{f_number: 4}\n",
         "b.yaml:8: axis.world is for a simulated camera; one of kind cable sees the real bench, so leave it "
         "out"},
        {"camera:\n  press_ms: 50\n  width_px: 1800\n  height_px: 1200\n  sensor_width_mm: 24\naxis:\n  "
         "lead_mm: 2\n  steps_per_rev: 200\n  microsteps: 16\nlens: {f_number: 4}\n",
         "b.yaml:2: camera.press_ms is for a camera of kind cable; leave it out, or write another kind"},
        {BENCH "  um_per_count: 4\n",
         "b.yaml:9: axis.um_per_count is for a lens; leave it out, or write another kind"},
        {CAMERA "axis:\n  kind: lens\n", "b.yaml:6: axis.um_per_count is missing; write how far the plane of "
                                         "focus goes with the smallest step "
                                         "of the lens, in micrometres"},
        {CAMERA "axis:\n  kind: lens\n  um_per_count: 4\n  lead_mm: 2\n",
         "b.yaml:8: axis.lead_mm is for a rail or a knob; leave it out, or write another kind"},
        {CAMERA "axis:\n  kind: lens\n  um_per_count: 4\n  size_counts: '30, 6'\n",
         "b.yaml:8: axis.size_counts: 30, 6 does not say how many of the smallest step a larger one is "
         "worth; "
         "write one or two whole numbers that grow, as 6, 30"},
        {"camera:\n  kind: folder\n  folder: in\n  width_px: 1800\n  height_px: 1200\n  sensor_width_mm: 24\n"
         "axis:\n  kind: lens\n  um_per_count: 4\n",
         "b.yaml:8: axis.kind lens needs a camera that drives its lens; write camera.kind tethered, or "
         "another "
         "axis"},
        {CAMERA "axis:\n  kind: rail\n  microsteps: 16\n",
         "b.yaml:6: axis.lead_mm is missing; write a number from 0.01 to 100"},
        {"- a\n- b\n", "b.yaml:1: a bench file is a list of 'key: value' lines; write it so"},
        {"hello\n", "b.yaml:1: a bench file is a list of 'key: value' lines; write it so"},
        {BENCH "lens:\n  f_number: 0\n",
         "b.yaml:10: lens.f_number: 0 is out of range; write a number from 0.5 to 128"},
        {BENCH "lens:\n  f_number: .nan\n",
         "b.yaml:10: lens.f_number: .nan is no finite number; write a number from 0.5 to 128"},
        {BENCH "lens:\n  f_number: nan\n",
         "b.yaml:10: lens.f_number: nan is no finite number; write a number from 0.5 to 128"},
        {BENCH "lens:\n  f_number: 1e999\n",
         "b.yaml:10: lens.f_number: 1e999 is no finite number; write a number from 0.5 to 128"},
        {BENCH "lens:\n  f_number: -.inf\n",
         "b.yaml:10: lens.f_number: -.inf is no finite number; write a number from 0.5 to 128"},
        {BENCH "lens:\n  f_number: 2,8\n",
         "b.yaml:10: lens.f_number: 2,8 is not a decimal number; write a number from 0.5 to 128"},
        {BENCH "lens:\n  f_number: 0x4\n",
         "b.yaml:10: lens.f_number: 0x4 is not a decimal number; write a number from 0.5 to 128"},
        {BENCH "lens:\n  f_number: \"2.8\"\n",
         "b.yaml:10: lens.f_number: 2.8 is in quotes, which makes it a text; write a number from 0.5 to 128"},
        {BENCH "lens:\n  f_number: 2.8 mm\n",
         "b.yaml:10: lens.f_number: 2.8 mm is not a decimal number; write a number from 0.5 to 128"},
        {BENCH "lens:\n  f_number:\n",
         "b.yaml:10: lens.f_number has no value; write a number from 0.5 to 128"},
        {BENCH "lens:\n  f_number: [2.8]\n",
         "b.yaml:10: lens.f_number takes one value; write a number from 0.5 to 128"},
        {BENCH "lens:\n  f_numbr: 2.8\n",
         "b.yaml:10: lens.f_numbr: a bench file has no such key; did you mean f_number?"},
        {BENCH "lens:\n  zzzzzzzzzz: 2.8\n",
         "b.yaml:10: lens.zzzzzzzzzz: a bench file has no such key; remove it"},
        {BENCH "f_number: 2.8\n",
         "b.yaml:9: f_number: a bench file has no such key; did you mean f_number, under lens?"},
        {BENCH "lens: 2.8\n", "b.yaml:9: lens holds keys of its own; write them below it, indented"},
        {BENCH "lens:\n", "b.yaml:9: lens holds keys of its own; write them below it, indented"},
        {BENCH "lens: {}\n",
         "b.yaml:1: the lens has no aperture; under lens, write f_number, effective_f_number or na"},
        {BENCH, "b.yaml:1: the lens has no aperture; under lens, write f_number, effective_f_number or na"},
        {BENCH "lens:\n  f_number: 2.8\n  na: 0.1\n",
         "b.yaml:11: both lens.f_number (line 10) and lens.na (line 11) are given; keep one"},
        {BENCH "lens:\n  f_number: 2.8\n  f_number: 4\n",
         "b.yaml:11: lens.f_number is given twice, first in line 10; keep one"},
        {BENCH "lens:\n  f_number: 2.8\nlens:\n  na: 0.1\n",
         "b.yaml:11: lens is given twice, first in line 9; keep one"},
        {BENCH "lens:\n  f_number: 2.8\nlight:\n  kind: sun\n",
         "b.yaml:12: light.kind: sun is not known here; write continuous or flash"},
        {"camera:\n  width_px: 1800\n",
         "b.yaml:1: camera.height_px is missing; write a whole number from 16 to 30000"},
        {"camera:\n  width_px: 1800.5\n",
         "b.yaml:2: camera.width_px: 1800.5 is not a whole number; write a whole number from 16 to 30000"},
        {"lens:\n  f_number: 2.8\n",
         "b.yaml:1: camera.width_px is missing; write a whole number from 16 to 30000"},
        {BENCH "lens:\n  focal_length_mm: -35\n",
         "b.yaml:10: lens.focal_length_mm: -35 is out of range; write a number from 0.5 to 2000"},
        {BENCH "lens:\n  f_number: 2.8\n---\nlens: 3\n",
         "b.yaml:12: a second document begins here; keep one"},
        {"camera:\n  width_px: [1\n",
         "b.yaml:3: not YAML: did not find expected ',' or ']'; look at indents, colons and quotes there"},
        {"camera:\n\twidth_px: 1\n",
         "b.yaml:2: not YAML: found character that cannot start any token; look at indents, "
         "colons and quotes there"},
        {"a: 1\nb: \xff\xfe\n",
         "b.yaml:2: not YAML: invalid leading UTF-8 octet; look at indents, colons and quotes there"},
        {"name: *nobody\n",
         "b.yaml:1: not YAML: found undefined alias; look at indents, colons and quotes there"},
        {"name: \"a\\0b\"\n", "b.yaml:1: name has a character in it that is no text; remove it"},
        {"name: \"a\\nb\"\n",
         "b.yaml:1: name: a?b holds a control character; write a name of at most 63 bytes"},
        {"? [1, 2]\n: 3\n", "b.yaml:1: a key has to be a plain word; rewrite it"},
        {"<<: {name: x}\n", "b.yaml:1: <<: a bench file has no such key; remove it"},
        {"name: xxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxx\n",
         "b.yaml:1: name: xxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxx... is too long; write a name of at most "
         "63 bytes"},
    };
    for (size_t i = 0; i < sizeof table / sizeof *table; i++) {
        struct bench bench = {.camera.width_px = 12345};
        struct err why = {0};
        assert_int_equal(bench_parse(table[i].text, "b.yaml", &bench, &why), E_INPUT);
        check_message(why.text, &table[i], (int)i);
        assert_int_equal(bench.camera.width_px, 12345); /* untouched */
    }
}

static void every_bad_job_is_told_with_its_line(void **state)
{
    (void)state;
    static const struct bad table[] = {
        {"near_mm: 0\nfar_mm: 1\n",
         "j.yaml:1: the size of the picture is missing; write magnification or field_width_mm"},
        {"magnification: 4\nfield_width_mm: 6\n",
         "j.yaml:2: both magnification (line 1) and field_width_mm (line 2) are given; keep one"},
        {"magnification: 4\nnear_mm: 3\n", "j.yaml:2: near_mm is alone; write far_mm too"},
        {"magnification: 4\nfar_mm: 3\n", "j.yaml:2: far_mm is alone; write near_mm too"},
        {"magnification: 4\nnear_mm: 3.4\n\nfar_mm: 1\n",
         "j.yaml:4: near_mm 3.4 lies behind far_mm 1; positions grow away "
         "from the camera, so exchange them"},
        {JOB "depth_mm: 3\n", "j.yaml:4: both far_mm (line 3) and depth_mm (line 4) are given; keep one"},
        {"magnification: 4\ndepth_mm: -3\n",
         "j.yaml:2: depth_mm: -3 is out of range; write a number from 0 to 2000"},
        {JOB "spacing_um: -5\n",
         "j.yaml:4: spacing_um: -5 is out of range; write a number from 0.01 to 100000"},
        {JOB "spacing_um: 5\noverlap: 0.3\n",
         "j.yaml:5: both spacing_um (line 4) and overlap (line 5) are given; keep one"},
        {JOB "spacing_mm: 5\n", "j.yaml:4: spacing_mm: a job file has no such key; did you mean spacing_um?"},
        {JOB "slices: 5000\n", "j.yaml:4: slices: 5000 is out of range; write a whole number from 1 to 4000"},
        {JOB "region: 1,2,3\n",
         "j.yaml:4: region: 1,2,3 is not a region; write X,Y,W,H in pixels, W and H at least 1"},
        {JOB "region: 1,2,0,3\n",
         "j.yaml:4: region: 1,2,0,3 is not a region; write X,Y,W,H in pixels, W and H at least 1"},
        {JOB "region: 1,2,3,4,5\n",
         "j.yaml:4: region: 1,2,3,4,5 is not a region; write X,Y,W,H in pixels, W and H at least 1"},
        {JOB "seed: -1\n",
         "j.yaml:4: seed: -1 is not a whole number; write a whole number from 0 to 18446744073709551615"},
        {JOB "seed: 18446744073709551616\n",
         "j.yaml:4: seed: 18446744073709551616 is out of range; write a whole number "
         "from 0 to 18446744073709551615"},
        {JOB "scene: town\n", "j.yaml:4: scene: town is not known here; write clock or ruler"},
        {JOB "scene:\n  shows: ruler\n  picture: p.png\n  depth_map: d.png\n",
         "j.yaml:6: both scene.picture (line 6) and scene.shows (line 5) are given; keep one"},
        {JOB "scene:\n  picture: a.jpg\n",
         "j.yaml:5: scene.picture has no depth_map; write which picture holds its depth"},
        {JOB "scene:\n  lamp_ripple: 0.1\n",
         "j.yaml:5: scene.lamp_ripple needs lamp_hz; write how often the lamp flickers"},
        {JOB "scene:\n  noise: on\n",
         "j.yaml:5: scene.noise: on is not a decimal number; write a number from 0 to 100, or off"},
        {JOB "far_guessed: maybe\n", "j.yaml:4: far_guessed: maybe is not known here; write false or true"},
    };
    for (size_t i = 0; i < sizeof table / sizeof *table; i++) {
        struct job job = {.seed = 99};
        struct err why = {0};
        assert_int_equal(job_parse(table[i].text, "j.yaml", &job, &why), E_INPUT);
        check_message(why.text, &table[i], (int)i);
        assert_int_equal(job.seed, 99);
    }
}

static void a_whole_bench_is_read_in_its_units(void **state)
{
    (void)state;
    struct bench b;
    struct err why;
    assert_int_equal(bench_parse("name: table\n" BENCH
                                 "  clearance_mm: 8.5\n  backlash_um: 12.5\n  speed_mm_per_s: 1.5\n"
                                 "lens: {effective_f_number: 14, pupil_ratio: 0.8}\n"
                                 "light:\n  kind: flash\n  recycle_s: 2.5\n",
                                 "dir/b.yaml", &b, &why),
                     E_OK);
    assert_string_equal(b.name, "table");
    assert_string_equal(b.path, "dir/b.yaml");
    assert_string_equal(b.camera.kind, "simulated");
    assert_int_equal(b.camera.width_px, 1800);
    assert_int_equal(b.camera.sensor_width_nm, 24000000);
    assert_int_equal(b.axis.lead_nm, 2000000);
    assert_int_equal(b.axis.clearance_nm, 8500000);
    assert_int_equal(b.axis.backlash_nm, 12500);
    assert_int_equal(b.axis.speed_nm_per_s, 1500000);
    assert_true(b.lens.effective_f_number == 14);
    assert_true(b.lens.pupil_ratio_given && b.lens.pupil_ratio == 0.8);
    assert_true(b.lens.teleconverter == 1);
    assert_int_equal(b.light.kind, LIGHT_FLASH);
    assert_int_equal(b.light.recycle_us, 2500000);
    assert_int_equal(origin_line(&b.origins, "axis.lead_mm"), 7);
    assert_int_equal(origin_line(&b.origins, "camera.kind"), 0);
}

/* What the pictures told of a lens's sizes comes before what the bench file says; the rest of whole counts,
 * and two sigma, is doubt. */
static void measured_sizes_come_before_written_ones(void **state)
{
    (void)state;
    struct bench b;
    struct err why;
    static const char lens[] = "camera: {width_px: 600, height_px: 400, sensor_width_mm: 24}\n"
                               "axis: {kind: lens, um_per_count: 4, size_counts: '6, 30'}\n"
                               "lens: {focal_length_mm: 35, f_number: 2.8}\n";
    char text[600];
    assert_int_equal(bench_parse(lens, "b.yaml", &b, &why), E_OK);
    assert_int_equal(b.axis.size_counts[0], 6);
    assert_int_equal(b.axis.size_doubt[0], 0);
    snprintf(text, sizeof text,
             "%smeasured: {medium_to_small: 8.8, medium_to_small_uncertainty: 0.1, large_to_medium: 4.5,\n"
             "  large_to_medium_uncertainty: 0.05, sizes_at: now}\n",
             lens);
    assert_int_equal(bench_parse(text, "b.yaml", &b, &why), E_OK);
    assert_int_equal(b.axis.size_counts[0], 9);
    assert_int_equal(b.axis.size_counts[1], 40); /* 39.6 */
    assert_int_equal(b.axis.size_doubt[0], 1);   /* 0.2 and twice 0.1 */
    assert_int_equal(b.axis.size_doubt[1], 2);   /* 0.4 and twice 0.63 */
    assert_string_equal(b.axis.sizes, "9, 40");
    snprintf(text, sizeof text,
             "%smeasured: {medium_to_small: 7, medium_to_small_uncertainty: 0, sizes_at: now}\n", lens);
    assert_int_equal(bench_parse(text, "b.yaml", &b, &why), E_OK);
    assert_int_equal(b.axis.size_counts[0], 7);
    assert_int_equal(b.axis.size_counts[1], 0); /* the large one is not known any more */
    snprintf(text, sizeof text, "%smeasured: {medium_to_small: 7}\n", lens); /* nobody says when */
    assert_int_equal(bench_parse(text, "b.yaml", &b, &why), E_OK);
    assert_int_equal(b.axis.size_counts[0], 6);
}

static void a_whole_job_is_read_and_its_paths_follow_the_file(void **state)
{
    (void)state;
    struct job j;
    struct err why;
    assert_int_equal(
        job_parse("bench: ../b.yaml\nfield_width_mm: 6\nnear_mm: -1.5\nfar_mm: 2\nfar_guessed: true\n"
                  "region: 10, 20, 30, 40\nseed: 18446744073709551615\n"
                  "scene:\n  picture: p.jpg\n  depth_map: /d.png\n  depth_map_is: distance\n  sway_um: 0\n"
                  "  hum_um: 0.5\n  ring_zeta: off\n",
                  "jobs/evening.2.yaml", &j, &why),
        E_OK);
    assert_string_equal(j.name, "evening.2");
    assert_string_equal(j.bench_path, "jobs/../b.yaml");
    assert_string_equal(j.scene.picture, "jobs/p.jpg");
    assert_string_equal(j.scene.depth_map, "/d.png");
    assert_true(j.scene.depth_map_is_distance);
    assert_true(j.scene.sway_um == -1); /* written zero: none */
    assert_true(j.scene.ring_zeta == -1);
    assert_true(j.scene.hum_um == 0.5 && j.scene.ring_hz == 0);
    assert_int_equal(j.depth_kind, DEPTH_MARKS);
    assert_int_equal(j.near_nm, -1500000);
    assert_true(j.far_guessed);
    assert_int_equal(j.region.x, 10);
    assert_int_equal(j.region.h, 40);
    assert_true(j.seed == UINT64_MAX);
    assert_true(j.overlap < 0 && j.settle_us < 0 && j.start_delay_us < 0 && j.exposure_us == 0);
    job_clear(&j);
}

static void numbers_are_the_same_in_any_locale(void **state)
{
    (void)state;
    static const char *const names[] = {"de_DE.UTF-8", "de_DE.utf8", "fr_FR.UTF-8", "C"};
    for (size_t i = 0; i < sizeof names / sizeof *names; i++) {
        if (!setlocale(LC_ALL, names[i])) continue; /* not every machine has it; C always is */
        struct job j;
        struct err why;
        assert_int_equal(job_parse("magnification: 2.5\n", "j.yaml", &j, &why), E_OK);
        assert_true(j.magnification == 2.5);
        job_clear(&j);
    }
    setlocale(LC_ALL, "C");
}

static void write_file(const char *path, const char *bytes, size_t count)
{
    FILE *f = fopen(path, "wb");
    assert_non_null(f);
    assert_int_equal(fwrite(bytes, 1, count, f), count);
    fclose(f);
}

static void files_that_cannot_be_read_say_which(void **state)
{
    (void)state;
    char dir[] = "/tmp/staddle-test-XXXXXX";
    assert_non_null(mkdtemp(dir));
    assert_int_equal(chdir(dir), 0);
    struct err why;
    struct job j;
    struct bench b;
    assert_int_equal(job_read("nowhere.yaml", &j, &why), E_INPUT);
    assert_string_equal(why.text, "nowhere.yaml: cannot open: No such file or directory");

    const char with_bench[] = "magnification: 4\nbench: gone.yaml\n";
    write_file("j.yaml", with_bench, strlen(with_bench));
    assert_int_equal(job_read("j.yaml", &j, &why), E_INPUT);
    assert_string_equal(
        why.text, "j.yaml:2: bench: gone.yaml: cannot open: No such file or directory; name a bench file");
    assert_int_equal(setup_read("j.yaml", NULL, &j, &b, &why), E_INPUT);

    const char whole[] = BENCH "lens:\n  f_number: 2.8\n";
    write_file("b.yaml", whole, strlen(whole));
    assert_int_equal(setup_read("j.yaml", "b.yaml", &j, &b, &why), E_OK);
    assert_string_equal(j.bench_text, whole);
    assert_string_equal(j.job_text, with_bench);
    assert_string_equal(b.path, "b.yaml");
    job_clear(&j);

    write_file("zero.yaml", "a\0b", 3);
    assert_int_equal(bench_read("zero.yaml", &b, &why), E_INPUT);
    assert_string_equal(why.text, "zero.yaml: not a text file; name a bench or job file");

    const size_t large = CONFIG_BYTES_MOST + 1;
    char *many = malloc(large);
    memset(many, '#', large);
    write_file("large.yaml", many, large);
    assert_int_equal(bench_read("large.yaml", &b, &why), E_INPUT);
    assert_non_null(strstr(why.text, "larger than 1048576 bytes"));
    free(many);
    static const char *const made[] = {"j.yaml", "b.yaml", "zero.yaml", "large.yaml"};
    for (size_t i = 0; i < sizeof made / sizeof *made; i++)
        unlink(made[i]);
    assert_int_equal(chdir("/"), 0);
    rmdir(dir);
}

/* Deep nesting, many aliases, many keys: an answer at once, never a crash. */
static void hostile_files_are_refused_at_once(void **state)
{
    (void)state;
    const size_t n = 200000;
    char *text = malloc(n + 1);
    struct bench b;
    struct err why;
    memset(text, '[', n);
    text[n] = '\0';
    assert_int_equal(bench_parse(text, "b.yaml", &b, &why), E_INPUT);
    assert_string_equal(why.text, "b.yaml:1: keys nest too deep here; only a section holds keys");
    memset(text, 'k', n);
    memcpy(text + n - 3, ": 1", 3);
    assert_int_equal(bench_parse(text, "b.yaml", &b, &why), E_INPUT);
    assert_true(strlen(why.text) < 200);
    free(text);
    assert_int_equal(bench_parse("a: &a [x]\nb: &b [*a,*a]\nc: &c [*b,*b]\n", "b.yaml", &b, &why), E_INPUT);
    assert_int_equal(bench_parse("camera: &c\n  width_px: *c\n", "b.yaml", &b, &why), E_INPUT);
}

/* Good files with bytes changed, cut, doubled and swapped (seeded): each is read whole or refused in a short
 * sentence that begins with the file and a line. The sanitizers of `make check` look on. */
static void damaged_files_are_read_or_refused(void **state)
{
    (void)state;
    static const char bench[] = BENCH "lens:\n  f_number: 2.8\nlight: {kind: flash, recycle_s: 2.5}\n";
    static const char job[] = JOB "bench: b.yaml\nregion: 1,2,3,4\nscene:\n  noise: 1\n  picture: a.jpg\n"
                                  "  depth_map: b.png\n";
    static const char bytes[] = "0123456789-+.eE:{}[]\"'#&*!|>%@`,?\n\t \x01\x7f\xc3\xa9\xff~nuli";
    uint64_t random = 20011;
    int good = 0;
    for (int round = 0; round < 20000; round++) {
        char text[600];
        snprintf(text, sizeof text, "%s", round % 2 ? bench : job);
        for (int change = 0; change <= round % 4; change++) {
            random = random * 6364136223846793005u + 1442695040888963407u; /* Knuth, MMIX (from memory) */
            const size_t n = strlen(text), at = (size_t)(random >> 40) % (n + 1),
                         what = (size_t)(random >> 33) % 8;
            if (what < 5 && at < n) text[at] = bytes[(size_t)(random >> 20) % (sizeof bytes - 1)];
            if (what == 5) text[at] = '\0';
            if (what == 6) memmove(text + at / 2, text + at, n + 1 - at);
            if (what == 7 && n + n - at < sizeof text - 1) memmove(text + n, text + at, n + 1 - at);
            text[sizeof text - 1] = '\0';
        }
        struct bench b;
        struct job j;
        struct err why = {0};
        const int rc =
            round % 2 ? bench_parse(text, "f.yaml", &b, &why) : job_parse(text, "f.yaml", &j, &why);
        good += !rc;
        if (!rc && round % 2 == 0) job_clear(&j);
        if (!rc) continue;
        int line = 0;
        assert_int_equal(rc, E_INPUT);
        assert_true(strlen(why.text) < 300);
        assert_int_equal(sscanf(why.text, "f.yaml:%d: ", &line), 1);
        assert_in_range(line, 1, 60);
        for (const char *p = why.text; *p; p++)
            assert_true((unsigned char)*p >= 0x20);
    }
    assert_in_range(good, 500, 19000);
    printf("measured: damaged bench and job files: %d of 20000 still good, the rest refused with a line\n",
           good);
}

static void no_memory_is_told_and_leaves_nothing(void **state)
{
    (void)state;
    struct job j = {.seed = 5};
    struct err why;
    mem_fail_at(1);
    assert_int_equal(job_parse(JOB, "j.yaml", &j, &why), E_NOMEM);
    mem_fail_at(0);
    assert_int_equal(j.seed, 5);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(every_bad_bench_is_told_with_its_line),
        cmocka_unit_test(every_bad_job_is_told_with_its_line),
        cmocka_unit_test(a_whole_bench_is_read_in_its_units),
        cmocka_unit_test(measured_sizes_come_before_written_ones),
        cmocka_unit_test(a_whole_job_is_read_and_its_paths_follow_the_file),
        cmocka_unit_test(numbers_are_the_same_in_any_locale),
        cmocka_unit_test(files_that_cannot_be_read_say_which),
        cmocka_unit_test(hostile_files_are_refused_at_once),
        cmocka_unit_test(damaged_files_are_read_or_refused),
        cmocka_unit_test(no_memory_is_told_and_leaves_nothing),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
