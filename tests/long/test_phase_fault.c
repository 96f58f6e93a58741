/* The table phase x fault: whatever happens to a stack, at whatever moment of a slice, it ends with one kept
 * frame for each slice, of its own place, and the shutter was released again only for exposures that were
 * caught. */
#include "tests/support/phase_fault.h"
#include "tests/support/test.h"

static void whatever_happens_at_whatever_moment_every_slice_has_its_frame(void **state)
{
    (void)state;
    int32_t cells = 0, extra = 0;
    double off_um = 0;
    phase_fault_open();
    char line[400] = "";
    for (int f = 0; f < FAULTS; f++)
        snprintf(line + strlen(line), sizeof line - strlen(line), " %9s", fault_names[f]);
    print_message("measured: phase x fault: exit of the run, +releases in vain, seconds longer\n");
    print_message("measured: %-10s%s\n", "", line);
    for (int p = 0; p < PHASES; p++) {
        line[0] = '\0';
        for (int f = 0; f < FAULTS; f++) {
            struct cell_result r;
            print_message("%s x %s\n", phase_names[p], fault_names[f]);
            phase_fault_try((enum phase)p, (enum fault)f, &r);
            char cell[32];
            snprintf(cell, sizeof cell, "%d+%d/%.0f", r.exit, (int)r.extra, r.longer_s);
            snprintf(line + strlen(line), sizeof line - strlen(line), " %9s", cell);
            cells++;
            extra += r.extra;
            if (r.off_um > off_um) off_um = r.off_um;
        }
        print_message("measured: %-10s%s\n", phase_names[p], line);
    }
    print_message("measured: %d cells, %d releases in vain, no frame farther than %.2f um from its place\n",
                  (int)cells, (int)extra, off_um);
    phase_fault_close();
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(whatever_happens_at_whatever_moment_every_slice_has_its_frame),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
