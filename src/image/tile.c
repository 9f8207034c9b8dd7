/* tile.c - sky level and noise of one tile of pixels with stars in it.
 * Idea: median and MAD of a sample open a histogram of +-5 sigma; clipping at 3 sigma is iterated
 * on the histogram, not on the pixels; the mode is estimated from median and mean where stars skew
 * the values (Bertin & Arnouts 1996, A&AS 117, 393, sec. 2.1: 2.5 median - 1.5 mean).
 * Holds: 1. whole numbers are treated as spread evenly over +-1/2, so the median is not stuck on
 * them; their bins are a power of two of them wide. 2. they give the same result kept as floats or
 * as 16 bits. */
#include "base/clones.h"
#include "image/measure_internal.h"

enum { SAMPLE = 192, BINS = 256, BANKS = 4, TILE_ROW = 256 };

static const double CLIP = 3.0;
/* Standard deviation of a unit Gaussian cut at +-3: sqrt(1 - 2*3*phi(3)/(2*Phi(3)-1)), closed form
 */
static const double CLIPPED_SD = 0.98658;

struct histogram {
    double low, width;
    bool is_whole;     /* then low and width are whole too, half a step aside */
    size_t first, end; /* bins inside the present limits */
    uint32_t count[BINS];
};

static float pixel_at(const struct nw_image_view *tile, size_t x, size_t y) {
    const size_t at = y * tile->stride_px + x;
    return tile->px ? tile->px[at] : (float)tile->px16[at];
}

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
        const float value = pixel_at(tile, x, y);
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

/* Range and step of the histogram; false when all sampled values are the same. */
static bool open_histogram(const float *sample, size_t n, struct histogram *ret) {
    int32_t keys[SAMPLE];
    float distance[SAMPLE];
    ret->is_whole = make_keys(sample, n, keys);
    const float median = ranked(keys, n, n / 2, ret->is_whole);
    for (size_t i = 0; i < n; i++) {
        distance[i] = fabsf(sample[i] - median);
    }
    int32_t distance_keys[SAMPLE];
    const bool is_whole = make_keys(distance, n, distance_keys);
    double sigma = NW_SIGMA_PER_MAD * (double)ranked(distance_keys, n, n / 2, is_whole);
    if (!(sigma > 0.0)) { /* more than half are equal: the spread of the rest, 5 to 95 % */
        const float low = ranked(keys, n, (n - 1) / 20, ret->is_whole);
        const float high = ranked(keys, n, (n - 1) * 19 / 20, ret->is_whole);
        sigma = (double)(high - low) / 3.29; /* of a Gaussian */
    }
    if (ret->is_whole) {
        ret->width = 1.0;
        while (ret->width * BINS < 10.0 * sigma) {
            ret->width *= 2.0;
        }
        ret->low = (double)median - 0.5 - ret->width * (BINS / 2.0);
        return true;
    }
    ret->width = 10.0 * sigma / BINS;
    ret->low = (double)median - ret->width * (BINS / 2.0);
    return sigma > 0.0;
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

NW_CLONES static void bins_of_whole(const uint16_t *px, size_t n, const struct histogram *h,
                                    uint16_t *ret) {
    const int32_t low = (int32_t)(h->low + 0.5);
    const int shift = ilogb(h->width);
#pragma omp simd
    for (size_t x = 0; x < n; x++) {
        const int32_t bin = ((int32_t)px[x] - low) >> shift; /* negative stays negative */
        const int32_t upper = bin < BINS ? bin : BINS;
        ret[x] = (uint16_t)(upper >= 0 ? upper : BINS);
    }
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
            } else {
                bins_of_whole(tile->px16 + at, n, h, bins);
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
