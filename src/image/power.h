/* power.h - logarithm and power of many values at once, for loops that the compiler vectorises.
 * Idea: no branch, no table, no call; the argument's exponent is split off in its bits, the rest is
 * a short series. Holds: NW_CLONES gives both versions the same operations in the same order. */
#ifndef NW_IMAGE_POWER_H
#define NW_IMAGE_POWER_H

#include <stdint.h>
#include <string.h>

static const double POWER_LN2 = 0.6931471805599453;

static inline uint64_t power_bits(double value) {
    uint64_t bits;
    memcpy(&bits, &value, sizeof bits);
    return bits;
}

static inline double power_double(uint64_t bits) {
    double value;
    memcpy(&value, &bits, sizeof value);
    return value;
}

/* ln u, 1 <= u < 1e150, and 1 / u by the same division; absolute error below 1e-13 + 2e-16 ln u
 * (test_power.c): u = 2^e m with m within sqrt(2) of 1, ln m = 2 artanh((m - 1) / (m + 1))
 * (Abramowitz & Stegun 1964, 4.1.27), the first term left out is 2 s^17 / 17 with s <= 0.1716. */
static inline double power_log_inverse(double u, double *ret_inverse) {
    const uint64_t bits = power_bits(u);
    const uint64_t e = (bits - UINT64_C(0x3fe6a09e667f3bcd)) >> 52; /* sqrt(1/2) */
    const double m = power_double(bits - (e << 52));
    /* e as a double: in the last bits of 2^52 */
    const double exponent = power_double(e | UINT64_C(0x4330000000000000)) - 4503599627370496.0;
    const double both = 1.0 / (u * (m + 1.0));
    *ret_inverse = both * (m + 1.0);
    const double s = (m - 1.0) * (both * u);
    const double z = s * s;
    const double series =
        1.0 + z * (1.0 / 3.0 +
                   z * (1.0 / 5.0 +
                        z * (1.0 / 7.0 +
                             z * (1.0 / 9.0 + z * (1.0 / 11.0 + z * (1.0 / 13.0 + z / 15.0))))));
    return exponent * POWER_LN2 + 2.0 * s * series;
}

static inline double power_log(double u) {
    double inverse = 0.0;
    return power_log_inverse(u, &inverse);
}

/* exp(-y), y >= 0, beyond 700 as for 700; relative error below 1e-12: y = n ln 2 - r with |r| <=
 * ln 2 / 2, the exponential series of r up to its tenth power. */
static inline double power_exp_minus(double y) {
    const double limited = y < 700.0 ? y : 700.0;
    const double shifter = 6755399441055744.0; /* 1.5 * 2^52: whole numbers in the last bits */
    const double shifted = shifter - limited * (1.0 / 0.6931471805599453);
    const double n = shifted - shifter;
    const double r = (-limited - n * 0.693147180369123816490) - n * 1.90821492927058770002e-10;
    const double tail =
        1.0 / 120.0 +
        r * (1.0 / 720.0 +
             r * (1.0 / 5040.0 + r * (1.0 / 40320.0 + r * (1.0 / 362880.0 + r / 3628800.0))));
    const double series =
        1.0 + r * (1.0 + r * (0.5 + r * (1.0 / 6.0 + r * (1.0 / 24.0 + r * tail))));
    return series * power_double((power_bits(shifted) + 1023u) << 52);
}

#endif
