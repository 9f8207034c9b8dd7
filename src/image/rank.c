/* rank.c - the k-th smallest of a few floats.
 * Idea: floats as whole numbers of the same order; the bits of the answer are found from the
 * highest down by counting how many are smaller. No branch depends on the data, nothing is moved,
 * and the counting goes several values at a time: for some hundred values several times faster than
 * selection. Holds: no value is NaN. */
#include "base/clones.h"
#include "image/measure_internal.h"

static int32_t key_of(float value) {
    int32_t bits = 0;
    memcpy(&bits, &value, sizeof bits);
    return bits < 0 ? bits ^ INT32_MAX : bits; /* negative floats count downwards */
}

float rank_value_of(int32_t key) {
    const int32_t bits = key < 0 ? key ^ INT32_MAX : key;
    float value = 0.0F;
    memcpy(&value, &bits, sizeof value);
    return value;
}

NW_CLONES static int32_t count_below(const int32_t *keys, size_t n, int32_t limit) {
    int32_t count = 0;
#pragma omp simd reduction(+ : count)
    for (size_t i = 0; i < n; i++) {
        count += keys[i] < limit;
    }
    return count;
}

NW_CLONES static void make_keys(const float *values, size_t n, int32_t *ret) {
#pragma omp simd
    for (size_t i = 0; i < n; i++) {
        ret[i] = key_of(values[i]);
    }
}

void rank_keys(const float *values, size_t n, int32_t *ret) {
    make_keys(values, n, ret);
}

int32_t rank_key(const int32_t *keys, size_t n, size_t k) {
    int32_t low = INT32_MAX;
    int32_t high = INT32_MIN;
    for (size_t i = 0; i < n; i++) {
        low = keys[i] < low ? keys[i] : low;
        high = keys[i] > high ? keys[i] : high;
    }
    const uint32_t differ = (uint32_t)low ^ (uint32_t)high;
    int bit = 31; /* the highest one in which they are not all alike */
    while (bit >= 0 && !(differ >> bit & 1u)) {
        bit--;
    }
    uint32_t at = (uint32_t)low; /* the bits above it; below it none */
    if (bit == 31) {
        at = 0x80000000u;
    } else if (bit >= 0) {
        at &= ~((2u << bit) - 1u);
    }
    for (; bit >= 0; bit--) {
        const uint32_t step = at ^ (1u << bit); /* the sign bit is set in the lower half */
        int32_t limit = 0;
        memcpy(&limit, &step, sizeof limit);
        at = (size_t)count_below(keys, n, limit) <= k ? step : at;
    }
    int32_t key = 0;
    memcpy(&key, &at, sizeof key);
    return key;
}

float rank_value(const int32_t *keys, size_t n, size_t k) {
    return rank_value_of(rank_key(keys, n, k));
}

/* 19 exchanges (Smith 1996, XCell 23, 16; from memory). Right for all zeros and ones (test_rank.c),
 * hence for all values (zero-one principle: Knuth, TAOCP 3, 2nd ed., sec. 5.3.4). */
double rank_median_of_nine(const double values[static 9]) {
    static const unsigned char EXCHANGE[19][2] = {
        {1, 2}, {4, 5}, {7, 8}, {0, 1}, {3, 4}, {6, 7}, {1, 2}, {4, 5}, {7, 8}, {0, 3},
        {5, 8}, {4, 7}, {3, 6}, {1, 4}, {2, 5}, {4, 7}, {4, 2}, {6, 4}, {4, 2}};
    double p[9];
    memcpy(p, values, sizeof p);
    for (size_t i = 0; i < 19; i++) {
        const double a = p[EXCHANGE[i][0]];
        const double b = p[EXCHANGE[i][1]];
        p[EXCHANGE[i][0]] = a < b ? a : b;
        p[EXCHANGE[i][1]] = a < b ? b : a;
    }
    return p[4];
}
