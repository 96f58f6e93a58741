/* units.h - the borders between what people write (mm, um, ms, s) and what the program keeps (int64 nm, us).
 */
#ifndef STADDLE_BASE_UNITS_H
#define STADDLE_BASE_UNITS_H

#include <math.h>
#include <stdint.h>

#define NM_PER_UM 1000
#define NM_PER_MM 1000000
#define US_PER_MS 1000
#define US_PER_S  1000000

static inline int64_t nm_from_mm(double mm)
{
    return llround(mm * NM_PER_MM);
}

static inline int64_t nm_from_um(double um)
{
    return llround(um * NM_PER_UM);
}

static inline double mm_from_nm(int64_t nm)
{
    return (double)nm / NM_PER_MM;
}

static inline double um_from_nm(int64_t nm)
{
    return (double)nm / NM_PER_UM;
}

static inline int64_t us_from_s(double s)
{
    return llround(s * US_PER_S);
}

static inline double s_from_us(int64_t us)
{
    return (double)us / US_PER_S;
}

static inline double ms_from_us(int64_t us)
{
    return (double)us / US_PER_MS;
}

#endif
