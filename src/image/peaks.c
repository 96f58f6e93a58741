#include "image/peaks.h"

#include <math.h>

bool peak_gaussian(double before, double at, double after, double *offset, double *sigma)
{
    if (!isfinite(before) || !isfinite(at) || !isfinite(after)) return false;
    if (!(before > 0) || !(at >= before) || !(at >= after) || !(after > 0)) return false;
    const double curvature = log(before) - 2 * log(at) + log(after);
    if (!(curvature < 0)) return false;
    *offset = (log(before) - log(after)) / (2 * curvature);
    *sigma = sqrt(-1 / curvature);
    return true;
}

static double smallest_positive(const double *curve, int32_t count)
{
    double least = INFINITY;
    for (int32_t i = 0; i < count; i++)
        if (isfinite(curve[i]) && curve[i] > 0 && curve[i] < least) least = curve[i];
    return least;
}

static double value_at(const double *curve, int32_t i, double floor)
{
    return isfinite(curve[i]) && curve[i] > floor ? curve[i] : floor;
}

/* The lowest value on the way from the top to something higher in direction `step`; the end of the curve
 * counts as nothing higher. */
static double lowest_on_the_way(const double *curve, int32_t count, double floor, int32_t from, int step,
                                bool *higher)
{
    const double top = value_at(curve, from, floor);
    double lowest = top;
    *higher = false;
    for (int32_t i = from + step; i >= 0 && i < count; i += step) {
        const double v = value_at(curve, i, floor);
        if (v > top) {
            *higher = true;
            break;
        }
        if (v < lowest) lowest = v;
    }
    return lowest;
}

static double prominence_of(const double *curve, int32_t count, double floor, int32_t first, int32_t last)
{
    bool left_higher, right_higher;
    const double left = lowest_on_the_way(curve, count, floor, first, -1, &left_higher);
    const double right = lowest_on_the_way(curve, count, floor, last, 1, &right_higher);
    double key;
    if (left_higher && right_higher)
        key = left > right ? left : right;
    else if (left_higher)
        key = left;
    else if (right_higher)
        key = right;
    else
        key = left < right ? left : right;
    return log(value_at(curve, first, floor) / key);
}

static struct peak fit(const double *curve, int32_t count, double floor, int32_t first, int32_t last)
{
    struct peak p = {
        .at = (first + last) / 2.0, .value = value_at(curve, first, floor), .index = (first + last) / 2};
    if (first == last && first > 0 && last + 1 < count) {
        double offset, sigma;
        if (peak_gaussian(value_at(curve, first - 1, floor), p.value, value_at(curve, first + 1, floor),
                          &offset, &sigma)) {
            p.at = first + offset;
            p.sigma = sigma;
            p.value *= exp(offset * offset / (2 * sigma * sigma));
        }
    }
    return p;
}

/* Keeps `out` sorted by value, the best `most` of all. */
static int32_t insert(struct peak *out, int32_t n, int32_t most, struct peak p)
{
    int32_t at = n;
    while (at > 0 && out[at - 1].value < p.value)
        at--;
    if (at >= most) return n;
    if (n < most) n++;
    for (int32_t i = n - 1; i > at; i--)
        out[i] = out[i - 1];
    out[at] = p;
    return n;
}

int32_t peaks_find(const double *curve, int32_t count, double least_prominence, struct peak *out,
                   int32_t most)
{
    const double floor = smallest_positive(curve, count);
    int32_t n = 0;
    if (!isfinite(floor) || most < 1) return 0;
    for (int32_t first = 0, last; first < count; first = last + 1) {
        const double v = value_at(curve, first, floor);
        for (last = first; last + 1 < count && value_at(curve, last + 1, floor) <= v &&
                           value_at(curve, last + 1, floor) >= v;)
            last++;
        const bool rises = first == 0 || value_at(curve, first - 1, floor) < v;
        const bool falls = last == count - 1 || value_at(curve, last + 1, floor) < v;
        if (!rises || !falls || (first == 0 && last == count - 1)) continue;
        struct peak p = fit(curve, count, floor, first, last);
        p.prominence = prominence_of(curve, count, floor, first, last);
        if (p.prominence >= least_prominence) n = insert(out, n, most, p);
    }
    return n;
}
