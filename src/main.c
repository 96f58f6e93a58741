/* main.c - the table of verbs, one a line. */
#include <stddef.h>

#include "base/mem.h"
#include "cmd.h"

int main(int argc, char **argv)
{
    /* clang-format off */
    static const struct verb *const verbs[] = {
        &verb_plan,
        &verb_simulate,
        &verb_run,
        &verb_resume,
        &verb_status,
        &verb_pause,
        &verb_stop,
        &verb_import,
        &verb_measure,
        &verb_check,
        &verb_where,
        &verb_handover,
        &verb_axis,
        &verb_camera,
        &verb_lens,
        &verb_mark,
        &verb_rehearse,
        &verb_devices,
        &verb_version,
        NULL,
    };
    /* clang-format on */
    mem_keep_large_apart();
    return cmd_main(verbs, argc, argv);
}
