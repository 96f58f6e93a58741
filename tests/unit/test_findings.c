/* Findings keep what they were told, grow, and survive every failed allocation. */
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <setjmp.h>
#include <cmocka.h>
#include <stdlib.h>
#include <string.h>

#include "base/findings.h"
#include "base/mem.h"

static void a_finding_keeps_its_frames_and_words(void **state)
{
    (void)state;
    struct finding_list list = {0};
    int32_t frames[] = {3, 5};
    struct finding_about about = {
        .code = "gap", .grave = true, .advice = "shoot it", .frames = frames, .frame_count = 2};
    assert_int_equal(finding_add(&list, about, NULL, "%d are missing", 4), E_OK);
    frames[0] = 99;
    assert_string_equal(list.rows[0].text, "4 are missing");
    assert_int_equal(list.rows[0].frames[0], 3);
    assert_true(findings_grave(&list));
    json_t *json = findings_json(&list);
    char *text = json_dumps(json, JSON_COMPACT);
    assert_string_equal(
        text, "[{\"code\":\"gap\",\"grave\":true,\"text\":\"4 are missing\",\"advice\":\"shoot it\","
              "\"frames\":[3,5]}]");
    free(text);
    json_decref(json);
    findings_clear(&list);
    assert_int_equal(list.count, 0);
}

static void no_memory_leaves_the_list_as_it_was(void **state)
{
    (void)state;
    for (long n = 1; n <= 2; n++) {
        struct finding_list list = {0};
        int32_t frame = 1;
        struct finding_about about = {.code = "x", .advice = "", .frames = &frame, .frame_count = 1};
        mem_fail_at(n);
        assert_int_equal(finding_add(&list, about, NULL, "x"), E_NOMEM);
        mem_fail_at(0);
        assert_int_equal(list.count, 0);
        for (int i = 0; i < 20; i++)
            assert_int_equal(finding_add(&list, about, NULL, "%d", i), E_OK);
        assert_string_equal(list.rows[19].text, "19");
        assert_false(findings_grave(&list));
        findings_clear(&list);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_finding_keeps_its_frames_and_words),
        cmocka_unit_test(no_memory_leaves_the_list_as_it_was),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
