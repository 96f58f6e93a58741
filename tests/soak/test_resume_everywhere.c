/* Every single place at which a short stack can be stopped or fail. */
#define STRIDE 1
#include "../long/test_resume_everywhere.c"
