/* How well the distance of a ruler's marks is found, in drawn pictures: for each kind of picture the periods
 * from 8 to 200 px at angles from 0 to 45 degrees. Truth is the geometry. */
#include <math.h>
#include <stdio.h>
#include <stdlib.h>

#include "image/ruler.h"
#include "tests/support/ruler_picture.h"

static const struct kind {
    const char *name;
    struct ruler_drawn d;
    double blur; /* of a period */
} kinds[] = {
    {"sharp, noise 3", {.noise = 3}, 0},
    {"blurred by 0.15 periods (sigma), noise 8", {.noise = 8}, 0.15},
    {"thin marks, fifths and tenths 2 and 3 times as long",
     {.noise = 3, .mark = 0.08, .length = {2, 4, 6}},
     0},
    {"wide marks", {.noise = 3, .mark = 0.5}, 0},
    {"tilted along its length: period changes by 3 %", {.noise = 3, .tilt = 0.03}, 0},
    {"tilted across: 3 %", {.noise = 3, .keystone = 0.03}, 0},
};
static const double periods[] = {8, 13.7, 29.1, 61.3, 117, 200}, angles[] = {0, 7.3, 45};

int main(void)
{
    printf("| ruler, 1800 x 1200 px, 8 to 200 px a mark, 0 to 45 degrees | pictures | refused | off, RMS | "
           "at most | "
           "said, median | within 3 times that |\n|---|---|---|---|---|---|---|\n");
    for (size_t i = 0; i < sizeof kinds / sizeof *kinds; i++) {
        double square = 0, worst = 0, said[18];
        int n = 0, refused = 0, within = 0;
        for (int p = 0; p < 6; p++)
            for (int a = 0; a < 3; a++) {
                struct ruler_drawn d = kinds[i].d;
                struct ruler r;
                d.w = 1800, d.h = 1200, d.period_px = periods[p], d.angle_deg = angles[a];
                d.blur_px = kinds[i].blur * d.period_px < 18 ? kinds[i].blur * d.period_px : 18;
                d.seed = (uint64_t)(p * 3 + a);
                uint8_t *luma = ruler_draw(&d);
                if (ruler_measure(luma, d.w, d.h, &r, NULL)) {
                    refused++;
                } else {
                    const double off = r.period_px / d.period_px - 1;
                    square += off * off;
                    worst = fmax(worst, fabs(off));
                    within += fabs(r.period_px - d.period_px) <= 3 * r.uncertainty_px;
                    int k = n++;
                    const double s = r.uncertainty_px / r.period_px;
                    for (; k > 0 && said[k - 1] > s; k--)
                        said[k] = said[k - 1];
                    said[k] = s;
                }
                free(luma);
            }
        printf("| %s | %d | %d | %.4f %% | %.4f %% | %.4f %% | %d of %d |\n", kinds[i].name, n + refused,
               refused, n ? 100 * sqrt(square / n) : 0, 100 * worst, n ? 100 * said[n / 2] : 0, within, n);
        fflush(stdout);
    }
    return 0;
}
