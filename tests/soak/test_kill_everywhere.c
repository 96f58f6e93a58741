/* A host killed before and after every single call, and at a hundred moments by chance; expected on two
 * cores: ten minutes. */
#define STRIDE        1
#define POWER_STRIDE  1
#define RESUME_STRIDE 1
#define INSTANTS      100
#include "../long/test_kill_everywhere.c"
