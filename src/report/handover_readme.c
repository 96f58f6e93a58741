#include "report/handover_readme.h"

#include <inttypes.h>
#include <math.h>

#include "report/handover.h"
#include "store/reference.h"

/* Spacing in micrometres with one decimal, without a float. */
static void spacing(FILE *out, int64_t nm)
{
    if (nm == STACK_NONE || nm <= 0) return;
    fprintf(out, "Distance between neighbours: %" PRId64 ".%" PRId64 " um.\n", (nm + 50) / 1000,
            (nm + 50) / 100 % 10);
}

static void order(FILE *out, enum stack_order o)
{
    fputs(o == ORDER_UNKNOWN
              ? "The names count the frames as they were shot; which end is the near one is not known.\n"
              : "The names count from near to far: s0001 lies nearest to the camera.\n",
          out);
}

static void what(FILE *out, const struct selection *s)
{
    fprintf(out, "%s\n\n", s->prefix);
    fprintf(out, "%d frame%s of one focus stack, untouched, as the %scamera wrote them.\n", (int)s->frames,
            s->frames == 1 ? "" : "s", s->info.simulated ? "simulated " : "");
    order(out, s->info.order);
    spacing(out, s->spacing_nm);
    if (fabs(s->scale_change) >= 0.0005)
        fprintf(out, "From the first slice to the last the subject changes its size by about %d.%d %%.\n",
                (int)(fabs(s->scale_change) * 1000 + 0.5) / 10,
                (int)(fabs(s->scale_change) * 1000 + 0.5) % 10);
}

static void which(FILE *out, const struct selection *s)
{
    if (s->all)
        fputs("\nEvery frame of the stack is here", out);
    else
        fprintf(out, "\nHere are the frames in which something is in focus, and up to %d more at either end",
                (int)s->margin);
    if (s->left_out)
        fprintf(out, "; %d frame%s stayed in the stack.\n", (int)s->left_out, s->left_out == 1 ? "" : "s");
    else
        fputs(".\n", out);
}

static void beside(FILE *out, const struct selection *s)
{
    if (!s->references) return;
    fputs("- " REFERENCE_FOLDER
          "/: frames outside the order, not to be merged: a ruler or a grey card in the place of "
          "the\n"
          "  subject, the empty set, the set without the lamp.\n",
          out);
}

void handover_readme(const struct selection *s, FILE *out)
{
    what(out, s);
    which(out, s);
    fputs("\nMerging\n"
          "- Take all of them. A frame that looks empty may be the only one in which a hair is sharp.\n"
          "- Let the size of the frames be matched as well as their position.\n"
          "- These are copies: changing them changes nothing in the stack they came from.\n"
          "\nFiles\n"
          "- record.csv and record.json: where and when each frame was shot, its checksum, and why it is "
          "here or not.\n",
          out);
    beside(out, s);
    fputs("- " HANDOVER_MANIFEST ": one checksum a file. In this folder,\n"
          "      sha256sum -c " HANDOVER_MANIFEST "\n"
          "  tells whether every file is as it was handed over.\n",
          out);
}
