/* tile.c - sky level and noise of one tile of pixels with stars in it.
 * Idea: median and MAD of a sample open a histogram of +-5 sigma; clipping at 3 sigma is iterated
 * on the histogram, not on the pixels; the mode is estimated from median and mean where stars skew
 * the values (Bertin & Arnouts 1996, A&AS 117, 393, sec. 2.1: 2.5 median - 1.5 mean).
 * Holds: 1. values in steps (whole numbers, 12 bits in 16, scaled ones) are treated as spread
 * evenly over +- half a step, so the median is not stuck on them; bins are a power of two of steps
 * wide.
 * 2. whole numbers give the same result kept as floats or as 16 bits. */
#include "base/clones.h"
#include "image/measure_internal.h"

enum { SAMPLE = 192, BINS = 256, BANKS = 4, TILE_ROW = 256 };

static const double CLIP = 3.0;
/* Standard deviation of a unit Gaussian cut at +-3: sqrt(1 - 2*3*phi(3)/(2*Phi(3)-1)), closed form
 */
static const double CLIPPED_SD = 0.98658;

struct histogram {
    double low, width; /* of values in steps: half a step aside, a power of two of steps */
    int shift;         /* width is 2^shift; -1: it is not, or not for whole numbers */
    size_t first, end; /* bins inside the present limits */
    uint32_t count[BINS];
};

/* Finite ones of every step-th pixel, row after row. */
static size_t every(const struct nw_image_view *tile, size_t step, float sample[static SAMPLE]) {
    size_t n = 0;
    size_t y = 0;
    for (size_t x = 0; n < SAMPLE; x += step) {
        while (x >= tile->width_px) {
            x -= tile->width_px;
            y++;
        }
        if (y >= tile->height_px) {
            break;
        }
        const float value = image_pixel(tile, x, y);
        if (isfinite(value)) {
            sample[n++] = value;
        }
    }
    return n;
}

static size_t take_sample(const struct nw_image_view *tile, float sample[static SAMPLE]) {
    const size_t n_px = tile->width_px * tile->height_px;
    const size_t step = (n_px / SAMPLE + 1) | 1u; /* odd: all columns have their turn */
    const size_t n = every(tile, step, sample);
    return n < 16 ? every(tile, 1, sample) : n; /* mostly blank: the first finite pixels */
}

/* Values as whole numbers of the same order: themselves where they are whole (fewer bits to ask
 * for), else their bits. */
static bool make_keys(const float *values, size_t n, int32_t *ret) {
    bool is_whole = true;
    for (size_t i = 0; i < n; i++) {
        const bool is_small = fabsf(values[i]) < 1e9F;
        ret[i] = (int32_t)(is_small ? values[i] : 0.0F);
        is_whole =
            is_whole && is_small && !(values[i] < (float)ret[i]) && !(values[i] > (float)ret[i]);
    }
    if (!is_whole) {
        rank_keys(values, n, ret);
    }
    return is_whole;
}

static float ranked(const int32_t *keys, size_t n, size_t k, bool is_whole) {
    const int32_t key = rank_key(keys, n, k);
    return is_whole ? (float)key : rank_value_of(key);
}

/* The step between whole numbers: the greatest common divisor of their differences. */
static double step_of_whole(const int32_t *values, size_t n) {
    uint32_t step = 0;
    for (size_t i = 1; i < n && step != 1; i++) {
        uint32_t rest = (uint32_t)abs(values[i] - values[0]);
        while (rest > 0) {
            const uint32_t r = step % rest;
            step = rest;
            rest = r;
        }
    }
    return step > 0 ? (double)step : 1.0;
}

/* The same of floats; 0 when it is below a tenth of the noise, or there is none. */
static double step_of_floats(const float *values, size_t n, double sigma) {
    const double error = 0.01 * sigma;
    double step = 0.0;
    for (size_t i = 1; i < n; i++) {
        double rest = fabs((double)values[i] - (double)values[0]);
        rest = isfinite(rest) ? rest : 0.0;
        while (rest > error) {
            double r = step > 0.0 ? fmod(step, rest) : 0.0;
            r = rest - r < error ? 0.0 : r;
            step = rest;
            rest = r;
        }
        if (step > 0.0 && step < 0.1 * sigma) {
            return 0.0;
        }
    }
    return step;
}

/* Range and step of the histogram; false when all sampled values are the same. */
static bool open_histogram(const float *sample, size_t n, struct histogram *ret) {
    int32_t keys[SAMPLE];
    float distance[SAMPLE];
    const bool is_whole = make_keys(sample, n, keys);
    const float median = ranked(keys, n, n / 2, is_whole);
    for (size_t i = 0; i < n; i++) {
        distance[i] = fabsf(sample[i] - median);
    }
    int32_t distance_keys[SAMPLE];
    const bool is_whole_distance = make_keys(distance, n, distance_keys);
    double sigma = NW_SIGMA_PER_MAD * (double)ranked(distance_keys, n, n / 2, is_whole_distance);
    if (!(sigma > 0.0)) { /* more than half are equal: the spread of the rest, 5 to 95 % */
        const float low = ranked(keys, n, (n - 1) / 20, is_whole);
        const float high = ranked(keys, n, (n - 1) * 19 / 20, is_whole);
        sigma = (double)(high - low) / 3.29; /* of a Gaussian */
    }
    const double step = is_whole ? step_of_whole(keys, n) : step_of_floats(sample, n, sigma);
    ret->width = 10.0 * sigma / BINS;
    if (step > 0.0) {
        const double least = ret->width;
        ret->width = step;
        while (ret->width < least) {
            ret->width *= 2.0;
        }
    }
    ret->low = (double)median - 0.5 * step - ret->width * (BINS / 2.0);
    const int exponent = ilogb(fmax(ret->width, 1.0));
    ret->shift = is_whole && !(ret->width > ldexp(1.0, exponent)) ? exponent : -1;
    return is_whole || sigma > 0.0;
}

/* Bins of one piece of a row; BINS where it falls outside, or is NaN. */
NW_CLONES static void bins_of_floats(const float *px, size_t n, const struct histogram *h,
                                     uint16_t *ret) {
    const float low = (float)h->low;
    const float scale = (float)(1.0 / h->width);
#pragma omp simd
    for (size_t x = 0; x < n; x++) {
        const float bin = (px[x] - low) * scale;
        const float upper = bin < (float)BINS ? bin : (float)BINS;
        ret[x] = (uint16_t)(int32_t)(upper >= 0.0F ? upper : (float)BINS);
    }
}

/* The same of whole numbers, bins a power of two wide. */
NW_CLONES static void bins_of_whole(const uint16_t *px, size_t n, const struct histogram *h,
                                    uint16_t *ret) {
    const int32_t low = (int32_t)(h->low + 0.5);
    const int shift = h->shift;
#pragma omp simd
    for (size_t x = 0; x < n; x++) {
        const int32_t bin = ((int32_t)px[x] - low) >> shift; /* negative stays negative */
        const int32_t upper = bin < BINS ? bin : BINS;
        ret[x] = (uint16_t)(upper >= 0 ? upper : BINS);
    }
}

/* Bins of another width, three numbers wide and the like. */
static void bins_of_steps(const uint16_t *px, size_t n, const struct histogram *h, uint16_t *ret) {
    float values[TILE_ROW];
    for (size_t x = 0; x < n; x++) {
        values[x] = (float)px[x];
    }
    bins_of_floats(values, n, h, ret);
}

/* Neighbouring pixels count in different banks: they often have the same bin, and an increment
 * waits for the one before it at the same place. */
static void fill_histogram(const struct nw_image_view *tile, struct histogram *h) {
    uint32_t count[BANKS][BINS + 1] = {{0}};
    uint16_t bins[TILE_ROW + BANKS - 1];
    for (size_t y = 0; y < tile->height_px; y++) {
        for (size_t x = 0; x < tile->width_px; x += TILE_ROW) {
            const size_t at = y * tile->stride_px + x;
            const size_t n = tile->width_px - x < TILE_ROW ? tile->width_px - x : TILE_ROW;
            if (tile->px) {
                bins_of_floats(tile->px + at, n, h, bins);
            } else if (h->shift >= 0) {
                bins_of_whole(tile->px16 + at, n, h, bins);
            } else {
                bins_of_steps(tile->px16 + at, n, h, bins);
            }
            for (size_t k = n; k % BANKS > 0; k++) {
                bins[k] = BINS;
            }
            for (size_t k = 0; k < n; k += BANKS) {
                count[0][bins[k]]++;
                count[1][bins[k + 1]]++;
                count[2][bins[k + 2]]++;
                count[3][bins[k + 3]]++;
            }
        }
    }
    for (size_t i = 0; i < BINS; i++) {
        h->count[i] = count[0][i] + count[1][i] + count[2][i] + count[3][i];
    }
}

struct moments {
    double n, mean, sd, median; /* in bins */
};

/* Sums over bins of counts, times the bin, times its square: whole, so in any order. */
struct bin_sums {
    uint64_t n, first, second;
};

NW_CLONES static struct bin_sums sum_bins(const uint32_t *count, uint32_t from, uint32_t to) {
    uint64_t n = 0;
    uint64_t first = 0;
    uint64_t second = 0;
#pragma omp simd reduction(+ : n, first, second)
    for (uint32_t i = from; i < to; i++) {
        const uint32_t square = i * i;
        n += count[i];
        first += (uint64_t)count[i] * i;
        second += (uint64_t)count[i] * square;
    }
    return (struct bin_sums){n, first, second};
}

static struct moments histogram_moments(const struct histogram *h) {
    const struct bin_sums s = sum_bins(h->count, (uint32_t)h->first, (uint32_t)h->end);
    struct moments m = {.n = (double)s.n};
    if (s.n == 0) {
        return m;
    }
    m.mean = (double)s.first / m.n + 0.5; /* middles of bins */
    const double mean_square = ((double)s.second + (double)s.first) / m.n + 0.25;
    m.sd = sqrt(fmax(mean_square - m.mean * m.mean, 0.0));
    uint64_t below = 0;
    for (size_t i = h->first; i < h->end; i++) {
        const uint64_t count = h->count[i];
        if (2 * (below + count) >= s.n && count > 0) {
            m.median = (double)i + (m.n / 2.0 - (double)below) / (double)count;
            break;
        }
        below += count;
    }
    return m;
}

struct tile_stat tile_measure(const struct nw_image_view *tile) {
    float sample[SAMPLE];
    struct tile_stat stat = {.level_adu = (double)NAN, .sigma_adu = (double)NAN};
    const size_t n_sample = take_sample(tile, sample);
    if (n_sample == 0) {
        return stat;
    }
    struct histogram h = {.first = 0, .end = BINS};
    if (!open_histogram(sample, n_sample, &h)) {
        return (struct tile_stat){(double)sample[0], 0.0, tile->width_px * tile->height_px};
    }
    fill_histogram(tile, &h);
    struct moments m = histogram_moments(&h);
    for (int round = 0; round < 30 && m.n > 0.0; round++) {
        const double reach = CLIP * fmax(m.sd / CLIPPED_SD, 0.5);
        const size_t first = (size_t)fmax(m.median - reach, 0.0);
        const size_t end = (size_t)fmin(m.median + reach + 1.0, BINS);
        if (first == h.first && end == h.end) {
            break;
        }
        h.first = first;
        h.end = end;
        m = histogram_moments(&h);
    }
    if (!(m.n > 0.0)) {
        return stat;
    }
    const double sigma = m.sd / CLIPPED_SD;
    const bool is_mildly_skewed = fabs(m.mean - m.median) < 0.3 * m.sd;
    /* below about one bin of noise (whole numbers) the median depends on where the steps fall */
    const bool is_coarse = m.sd < 1.5;
    const double mode = is_mildly_skewed && is_coarse ? m.mean
                        : is_mildly_skewed            ? 2.5 * m.median - 1.5 * m.mean
                                                      : m.median;
    stat.level_adu = h.low + h.width * mode;
    stat.sigma_adu = h.width * sigma;
    stat.count = (size_t)m.n;
    return stat;
}

NW_CLONES static void range_of_whole(const uint16_t *px, size_t n, uint16_t *low, uint16_t *top) {
    uint16_t least = *low;
    uint16_t most = *top;
#pragma omp simd reduction(min : least) reduction(max : most)
    for (size_t x = 0; x < n; x++) {
        least = px[x] < least ? px[x] : least;
        most = px[x] > most ? px[x] : most;
    }
    *low = least;
    *top = most;
}

static void count_whole(const struct nw_image_view *tile, struct value_range *ret) {
    uint16_t low = UINT16_MAX;
    uint16_t top = 0;
    size_t n_top = 0;
    for (size_t y = 0; y < tile->height_px; y++) {
        const uint16_t *const row = tile->px16 + y * tile->stride_px;
        uint16_t most = 0;
        range_of_whole(row, tile->width_px, &low, &most);
        n_top = most > top ? 0 : n_top;
        top = most > top ? most : top;
        for (size_t x = 0; most == top && x < tile->width_px; x++) {
            n_top += row[x] == top;
        }
    }
    *ret = (struct value_range){(float)low, (float)top, n_top, tile->width_px * tile->height_px};
}

static void count_floats(const struct nw_image_view *tile, struct value_range *ret) {
    float low = INFINITY;
    float top = -INFINITY;
    size_t n_top = 0;
    size_t n_finite = 0;
    for (size_t y = 0; y < tile->height_px; y++) {
        const float *const row = tile->px + y * tile->stride_px;
        for (size_t x = 0; x < tile->width_px; x++) {
            const float value = row[x];
            n_finite += isfinite(value) ? 1 : 0;
            low = value < low ? value : low; /* NaN compares false */
            if (value >= top) {
                n_top = value > top ? 1 : n_top + 1;
                top = value;
            }
        }
    }
    *ret = (struct value_range){low, top, n_top, n_finite};
}

struct value_range tile_range(const struct nw_image_view *tile) {
    struct value_range range;
    if (tile->px) {
        count_floats(tile, &range);
    } else {
        count_whole(tile, &range);
    }
    return range;
}
