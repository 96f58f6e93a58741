#include "base/select.h"

double select_kth(double *v, int32_t count, int32_t k)
{
    for (int32_t low = 0, high = count - 1; low < high;) {
        const double pivot = v[k];
        int32_t i = low, j = high;
        do {
            while (v[i] < pivot)
                i++;
            while (pivot < v[j])
                j--;
            if (i > j) break;
            const double swap = v[i];
            v[i++] = v[j];
            v[j--] = swap;
        } while (i <= j);
        if (j < k) low = i;
        if (k < i) high = j;
    }
    return v[k];
}
