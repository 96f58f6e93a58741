#include "report/palette.h"

#include <math.h>

static double linear(double coded)
{
    return coded <= 0.04045 ? coded / 12.92 : pow((coded + 0.055) / 1.055, 2.4);
}

static double coded(double value)
{
    if (value <= 0) return 0;
    if (value >= 1) return 1;
    return value <= 0.0031308 ? 12.92 * value : 1.055 * pow(value, 1 / 2.4) - 0.055;
}

struct lab palette_lab(struct rgb c)
{
    const double r = linear(c.r), g = linear(c.g), b = linear(c.b);
    const double l = cbrt(0.4122214708 * r + 0.5363325363 * g + 0.0514459929 * b);
    const double m = cbrt(0.2119034982 * r + 0.6806995451 * g + 0.1073969566 * b);
    const double s = cbrt(0.0883024619 * r + 0.2817188376 * g + 0.6299787005 * b);
    return (struct lab){0.2104542553 * l + 0.7936177850 * m - 0.0040720468 * s,
                        1.9779984951 * l - 2.4285922050 * m + 0.4505937099 * s,
                        0.0259040371 * l + 0.7827717662 * m - 0.8086757660 * s};
}

static double cube(double x)
{
    return x * x * x;
}

struct rgb palette_rgb(struct lab c)
{
    const double l = cube(c.l + 0.3963377774 * c.a + 0.2158037573 * c.b);
    const double m = cube(c.l - 0.1055613458 * c.a - 0.0638541728 * c.b);
    const double s = cube(c.l - 0.0894841775 * c.a - 1.2914855480 * c.b);
    return (struct rgb){coded(4.0767416621 * l - 3.3077115913 * m + 0.2309699292 * s),
                        coded(-1.2684380046 * l + 2.6097574011 * m - 0.3413193965 * s),
                        coded(-0.0041960863 * l - 0.7034186147 * m + 1.7076147010 * s)};
}

/* The three corners lie at equal distances, so that t runs at one speed. */
struct lab palette_scale_lab(double t)
{
    static const struct lab brass = {0.900, 0.005, 0.125};
    static const struct lab sea = {0.650, -0.085, 0.010};
    static const struct lab ink = {0.400, -0.005, -0.125};
    t = fmin(fmax(t, 0), 1);
    const struct lab from = t < 0.5 ? brass : sea, to = t < 0.5 ? sea : ink;
    const double u = t < 0.5 ? 2 * t : 2 * t - 1;
    return (struct lab){from.l + u * (to.l - from.l), from.a + u * (to.a - from.a),
                        from.b + u * (to.b - from.b)};
}

struct rgb palette_scale(double t)
{
    return palette_rgb(palette_scale_lab(t));
}

struct rgb palette_ink_on(struct rgb c)
{
    /* Where both have the same contrast by WCAG 2.1: (y + 0.05)^2 = 1.05 * 0.05. */
    const double y = 0.2126 * linear(c.r) + 0.7152 * linear(c.g) + 0.0722 * linear(c.b);
    const double ink = y > 0.179 ? 0 : 1;
    return (struct rgb){ink, ink, ink};
}
