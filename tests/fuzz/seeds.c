/* seeds.c - makes the seeds that are no text: seeds FOLDER writes FOLDER/NAME/... for the kept measures, the
 * picture files and the stack database. All small, by the program itself and by the reference libraries, from
 * a picture that a formula gives. The texts (wire, bench, job, SQL) were written by hand and are not made
 * here; neither are the seeds named fixed-..., which searches found. */
#include "tests/support/test.h"

#include "tests/fuzz/seeds.h"

#include <sys/stat.h>

#include "tests/fuzz/fuzz.h"

static const char *root;

void seed_write(const char *target, const char *name, const void *bytes, size_t count)
{
    char path[512];
    snprintf(path, sizeof path, "%s/%s", root, target);
    mkdir(path, 0777);
    snprintf(path, sizeof path, "%s/%s/%s", root, target, name);
    fuzz_write(path, bytes, count);
}

void seed_picture(uint8_t *rgb, int width, int height)
{
    for (int y = 0; y < height; y++)
        for (int x = 0; x < width; x++, rgb += 3) {
            rgb[0] = (uint8_t)(16 + 7 * x + 3 * y);
            rgb[1] = (uint8_t)((x ^ y) & 4 ? 200 : 40);
            rgb[2] = (uint8_t)(x == y ? 255 : 5 * y);
        }
}

int main(int argc, char **argv)
{
    if (argc != 2) {
        fprintf(stderr, "seeds FOLDER\n");
        return 2;
    }
    root = argv[1];
    seeds_of_pictures();
    seeds_of_measures();
    seeds_of_stacks();
    return 0;
}
