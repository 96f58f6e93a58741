/* The emulated camera against bytes written down by hand from the standards' layouts: PTP datasets (ISO
 * 15740, clause 5) and PTP over IP packets (CIPA DC-X005). Both from memory; that the unmodified libgphoto2
 * talks with it is the other half of the proof (long/test_camera_gphoto.c). */
#include "tests/support/test.h"

#include "tests/emulator/ptp_ip.h"

#define BYTES(...) (const uint8_t[]){__VA_ARGS__}, sizeof((const uint8_t[]){__VA_ARGS__})

static void same(const struct ptp_out *o, const uint8_t *bytes, size_t count)
{
    assert_int_equal(o->count, count);
    assert_memory_equal(o->bytes, bytes, count);
}

static void a_string_counts_its_terminator_and_an_empty_one_is_one_byte(void **state)
{
    (void)state;
    struct ptp_out o = {0};
    put_string(&o, "f/8");
    put_string(&o, "");
    same(&o, BYTES(0x04, 'f', 0, '/', 0, '8', 0, 0, 0, 0x00));
    put_free(&o);
}

static void a_response_is_length_type_code_transaction_and_parameters(void **state)
{
    (void)state;
    struct ptp_out o = {0};
    ptp_ip_packets(&(struct ptp_answer){.code = PTP_OK, .param = {5}, .param_count = 1}, 7, 100, &o);
    same(&o, BYTES(0x12, 0, 0, 0, 0x07, 0, 0, 0, 0x01, 0x20, 7, 0, 0, 0, 5, 0, 0, 0));
    put_free(&o);
}

static void data_go_in_packets_of_a_chunk_and_end_with_the_rest(void **state)
{
    (void)state;
    struct ptp_out o = {0};
    struct ptp_answer a = {.code = PTP_OK, .has_data = true};
    put_bytes(&a.data, "abcde", 5);
    ptp_ip_packets(&a, 1, 3, &o);
    same(&o,
         BYTES(0x14, 0, 0, 0, 0x09, 0, 0, 0, 1, 0, 0, 0, 5, 0, 0, 0, 0, 0, 0, 0, /* start, 64-bit length */
               0x0F, 0, 0, 0, 0x0A, 0, 0, 0, 1, 0, 0, 0, 'a', 'b', 'c',          /* data */
               0x0E, 0, 0, 0, 0x0C, 0, 0, 0, 1, 0, 0, 0, 'd', 'e',               /* end data */
               0x0E, 0, 0, 0, 0x07, 0, 0, 0, 0x01, 0x20, 1, 0, 0, 0));
    put_free(&o);
    put_free(&a.data);
}

static uint16_t ask(struct ptp_camera *c, uint16_t code, uint32_t param, const uint8_t *data, size_t count,
                    int64_t now_us, struct ptp_answer *a)
{
    *a = (struct ptp_answer){0};
    ptp_camera_do(c, &(struct ptp_request){.code = code, .param = {param}, .data = data, .data_count = count},
                  now_us, a);
    return a->code;
}

static void a_property_is_described_as_the_standard_lays_it_out(void **state)
{
    (void)state;
    static struct ptp_camera c;
    struct ptp_answer a;
    ptp_camera_init(&c, &(struct ptp_camera_opts){0});
    assert_int_equal(ask(&c, 0x1014, 0x500E, NULL, 0, 0, &a), PTP_SESSION_NOT_OPEN);
    assert_int_equal(ask(&c, 0x1002, 1, NULL, 0, 0, &a), PTP_OK);
    assert_int_equal(ask(&c, 0x1014, 0x500E, NULL, 0, 0, &a), PTP_OK);
    same(&a.data, BYTES(0x0E, 0x50, 0x04, 0x00, 0x01,         /* exposure program, UINT16, to be set */
                        1, 0, 1, 0,                           /* manual by default and now */
                        0x02, 4, 0, 1, 0, 2, 0, 3, 0, 4, 0)); /* one of four */
    put_free(&a.data);
    assert_int_equal(ask(&c, 0x1016, 0x5007, BYTES(0x20, 0x03), 0, &a), PTP_OK); /* f/8 is 800 */
    assert_int_equal(c.f_number, 800);
    assert_int_equal(ask(&c, 0x1016, 0x5007, BYTES(0x21, 0x03), 0, &a), PTP_INVALID_VALUE);
    ptp_camera_clear(&c);
}

static void a_release_makes_one_object_and_two_events_when_it_is_ready(void **state)
{
    (void)state;
    static struct ptp_camera c;
    struct ptp_answer a;
    struct ptp_event e;
    ptp_camera_init(&c, &(struct ptp_camera_opts){.ready_us = 300000});
    ask(&c, 0x1002, 1, NULL, 0, 0, &a);
    assert_int_equal(ask(&c, 0x100E, 0, NULL, 0, 1000, &a), PTP_OK);
    assert_int_equal(c.releases[0].shut_us - c.releases[0].open_us, 250000); /* 2500 x 100 us */
    assert_int_equal(ask(&c, 0x100E, 0, NULL, 0, 2000, &a), PTP_DEVICE_BUSY);
    assert_false(ptp_camera_event(&c, 550999, &e));
    assert_true(ptp_camera_event(&c, 551000, &e));
    assert_int_equal(e.code, 0x4002);
    assert_int_equal(e.param, c.objects[0].handle);
    assert_true(ptp_camera_event(&c, 551000, &e));
    assert_int_equal(e.code, 0x400D);
    assert_false(ptp_camera_event(&c, 551000, &e));
    assert_int_equal(ask(&c, 0x1009, c.objects[0].handle, NULL, 0, 551000, &a), PTP_OK);
    assert_int_equal(a.data.count, c.objects[0].count);
    put_free(&a.data);
    ptp_camera_clear(&c);
}

static void the_lens_moves_only_in_live_view_and_stops_at_its_end(void **state)
{
    (void)state;
    static struct ptp_camera c;
    struct ptp_answer a = {0};
    ptp_camera_init(&c, &(struct ptp_camera_opts){.family = PTP_RANGE_DRIVE, .lens_lo = 0, .lens_hi = 100});
    struct ptp_request drive = {.code = 0x9204, .param = {2, 60}};
    ask(&c, 0x1002, 1, NULL, 0, 0, &a);
    ptp_camera_do(&c, &drive, 0, &a);
    assert_int_equal(a.code, PTP_NO_LIVE_VIEW);
    assert_int_equal(ask(&c, 0x9201, 0, NULL, 0, 0, &a), PTP_OK);
    ptp_camera_do(&c, &drive, 0, &a);
    assert_int_equal(a.code, PTP_OK);
    ptp_camera_do(&c, &drive, 1000000, &a);
    assert_int_equal(a.code, PTP_OK);
    assert_int_equal(ask(&c, 0x90C8, 0, NULL, 0, 1001000, &a), PTP_DEVICE_BUSY); /* 40 counts, 50 us each */
    assert_int_equal(ask(&c, 0x90C8, 0, NULL, 0, 2000000, &a), PTP_DRIVE_AT_END);
    assert_int_equal(ask(&c, 0x90C8, 0, NULL, 0, 2000000, &a), PTP_OK);
    assert_int_equal(c.lens_at, 100);
    assert_int_equal(c.move_count, 2);
    ptp_camera_clear(&c);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_string_counts_its_terminator_and_an_empty_one_is_one_byte),
        cmocka_unit_test(a_response_is_length_type_code_transaction_and_parameters),
        cmocka_unit_test(data_go_in_packets_of_a_chunk_and_end_with_the_rest),
        cmocka_unit_test(a_property_is_described_as_the_standard_lays_it_out),
        cmocka_unit_test(a_release_makes_one_object_and_two_events_when_it_is_ready),
        cmocka_unit_test(the_lens_moves_only_in_live_view_and_stops_at_its_end),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
