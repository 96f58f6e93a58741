/* camera_files.h - files as cameras write them, made for tests: a JPEG with Exif (CIPA DC-008, JEITA CP-3451)
 * and the smallest raw file (Adobe DNG 1.4: an uncompressed Bayer mosaic). Nothing of the program takes part.
 */
#ifndef TESTS_SUPPORT_CAMERA_FILES_H
#define TESTS_SUPPORT_CAMERA_FILES_H

#include <stdint.h>

struct shot_facts {
    int width, height;
    unsigned seed;      /* of the picture's noise: other seeds, other bytes */
    const char *time;   /* "2026:11:25 20:00:01"; NULL: the file tells none */
    const char *subsec; /* "05" is 0.05 s; NULL: none */
};

/* Exposure 1/4 s, f/2.8, ISO 100 in the Exif data. The test fails when the file cannot be written. */
void write_jpeg(const char *path, struct shot_facts);

void write_dng(const char *path, struct shot_facts);

#endif
