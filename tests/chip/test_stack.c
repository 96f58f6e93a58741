/* A whole stack of 20 slices whose rail is the firmware for the chip, run in the simulated chip in real time
 * behind a pseudo-terminal; its step edges move the simulated bench. The same frames, pulses and verdict as
 * with the virtual controller in this process are expected. The truth of the pulses is the world's own count.
 */
#include "tests/support/test.h"

#include "report/judge.h"
#include "report/sentence.h"
#include "run/shoot.h"
#include "store/store.h"
#include "tests/support/program.h"
#include "tests/support/small.h"
#include "tests/support/virtual_rail.h"

#define SLICES  20
#define STEP_NM 625 /* a lead of 2 mm, 200 steps, 16 microsteps */

struct verdict_told {
    int64_t pulses, net, missed;
    int32_t shots;
    double focus_nm[64];
    char sentence[SENTENCE_ROOM];
    int32_t tiles, covered, findings;
};

static void write_job(const char *name, const char *axis, struct shoot_job *out)
{
    char path[700];
    struct err why = {0};
    snprintf(path, sizeof path, "%s-bench.yaml", small_path(name));
    FILE *f = fopen(path, "w");
    assert_non_null(f);
    fprintf(f,
            "camera:\n  width_px: 640\n  height_px: 480\n  sensor_width_mm: 24\n"
            "axis:\n  lead_mm: 2\n  steps_per_rev: 200\n  microsteps: 16\n  clearance_mm: 8\n  backlash_um: "
            "20\n%s"
            "lens:\n  focal_length_mm: 35\n  f_number: 2.8\n",
            axis);
    fclose(f);
    snprintf(path, sizeof path, "%s-job.yaml", small_path(name));
    f = fopen(path, "w");
    assert_non_null(f);
    fprintf(
        f,
        "name: twenty slices\nbench: %s-bench.yaml\nmagnification: 4\nnear_mm: 0\nfar_mm: 0.4\nslices: 16\n"
        "settle_ms: 300\nexposure_s: 0.1\nstart_delay_s: 0\nseed: 7\nscene:\n  lamp_scatter_stops: off\n  "
        "near_mm: 0.04\n  depth_mm: 0.32\n",
        name);
    fclose(f);
    if (shoot_job_read(path, NULL, out, &why)) fail_msg("%s", why.text);
}

static void look(void *arg, struct rig *r)
{
    struct verdict_told *t = arg;
    const struct shot *log;
    t->pulses = world_step_count(r->world, &t->net, &t->missed);
    t->shots = world_shots(r->world, &log);
    assert_in_range(t->shots, 0, 64);
    for (int32_t i = 0; i < t->shots; i++) {
        t->focus_nm[i] = 0;
        for (int32_t s = 0; s < log[i].samples; s++)
            t->focus_nm[i] += log[i].focus_nm[s] / log[i].samples;
    }
}

static void shoot(const char *name, const char *axis, bool virtual_clock, struct verdict_told *t)
{
    struct shoot_job job;
    struct run_result r;
    struct store *st;
    struct judgement j;
    struct err why = {0};
    memset(t, 0, sizeof *t);
    write_job(name, axis, &job);
    assert_int_equal(job.plan.slice_count, SLICES);
    struct shoot_opts o = {.dir = small_path(name),
                           .virtual_clock = virtual_clock,
                           .workers = 2,
                           .no_closing = true,
                           .quiet_world = true,
                           .closing = look,
                           .arg = t};
    if (shoot_new(&job, &o, &r, &why)) fail_msg("%s", why.text);
    if (r.end != RUN_WHOLE) fail_msg("%s: end %d: %s", name, (int)r.end, r.why.text);
    run_result_clear(&r);
    shoot_job_clear(&job);
    assert_int_equal(store_open(small_path(name), true, &st, &why), 0);
    if (judge_stack(st, &(struct judge_opts){.threads = 2}, &j, &why)) fail_msg("%s", why.text);
    sentence_write(&j.verdict, t->sentence);
    t->findings = j.verdict.findings.count;
    t->tiles = j.verdict.rows * j.verdict.cols;
    for (int32_t i = 0; i < t->tiles; i++)
        t->covered += j.verdict.tiles[i].state == TILE_COVERED;
    judgement_clear(&j);
    store_close(st);
}

static void twenty_slices_through_the_chip(void **state)
{
    (void)state;
    static struct verdict_told here, there;
    struct virtual_rail rail;
    char axis[700], world[600];
    int64_t pulses, net;
    shoot("here", "", true, &here);
    snprintf(world, sizeof world, "%s", small_path("world"));
    virtual_rail_start_as(&rail, "tests/chip/staddle-chip-rail",
                          (const char *const[]){"--world", world, NULL});
    snprintf(axis, sizeof axis, "  link: %s\n  world: %s\n", rail.port, world);
    shoot("there", axis, false, &there);
    assert_int_equal(virtual_rail_stop(&rail, &pulses, &net), 0);
    double least = 1e9, most = -1e9;
    assert_int_equal(there.shots, here.shots);
    for (int32_t i = 0; i < here.shots; i++) {
        least = fmin(least, there.focus_nm[i] - here.focus_nm[i]);
        most = fmax(most, there.focus_nm[i] - here.focus_nm[i]);
    }
    print_message(
        "measured: chip: %d frames through the ELF in real time: %lld pulses at the pin, %lld in the world, "
        "%lld "
        "with the virtual controller; focus %.0f nm beside it, the same within %.2f nm; %d of %d tiles "
        "covered\n",
        (int)there.shots, (long long)pulses, (long long)there.pulses, (long long)here.pulses,
        (least + most) / 2, most - least, (int)there.covered, (int)there.tiles);
    print_message("printed: %s\n", there.sentence);
    assert_int_equal(pulses, there.pulses);
    assert_int_equal(net, there.net);
    assert_int_equal(there.missed, 0);
    /* Homing may see the switch an edge earlier or later, each of the four times; zero then lies so much
     * beside. */
    assert_in_range(there.pulses - here.pulses + 8, 0, 16);
    assert_true(most - least < STEP_NM / 10.0 && fabs(most) < 2 * STEP_NM);
    assert_string_equal(there.sentence, here.sentence);
    assert_int_equal(there.covered, here.covered);
    assert_int_equal(strncmp(there.sentence, "Yes", 3), 0);
    struct said said = program("check %s", small_path("there"));
    if (said.status) print_error("%s%s", said.out, said.err);
    assert_int_equal(said.status, 0); /* content with it */
    said_clear(&said);
}

int main(void)
{
    const struct CMUnitTest tests[] = {cmocka_unit_test(twenty_slices_through_the_chip)};
    return cmocka_run_group_tests(tests, NULL, NULL);
}
