/* handover_readme.h - the page that lies beside the frames, for whoever merges them. */
#ifndef STADDLE_HANDOVER_README_H
#define STADDLE_HANDOVER_README_H

#include <stdio.h>

#include "report/selection.h"

/* The same in every locale, and for equal stacks. */
void handover_readme(const struct selection *, FILE *out);

#endif
