/* tile.c - sky level and noise of one tile of pixels with stars in it.
 * Idea: median and MAD of a sample open a histogram of +-5 sigma; clipping at 3 sigma is iterated
 * on the histogram, not on the pixels; the mode is estimated from median and mean where stars skew
 * the values (Bertin & Arnouts 1996, A&AS 117, 393, sec. 2.1: 2.5 median - 1.5 mean). Holds: whole
 * numbers are treated as spread evenly over +-1/2, so the median is not stuck on them. */
#include "image/measure_internal.h"

enum { SAMPLE = 512, BINS = 256 };

static const double CLIP = 3.0;
/* Standard deviation of a unit Gaussian cut at +-3: sqrt(1 - 2*3*phi(3)/(2*Phi(3)-1)), closed form
 */
static const double CLIPPED_SD = 0.98658;

struct histogram {
    double low, width;
    size_t first, end; /* bins inside the present limits */
    uint32_t count[BINS];
};

static size_t take_sample(struct nw_image_view tile, float sample[static SAMPLE]) {
    const size_t n_px = tile.width_px * tile.height_px;
    const size_t step = n_px / SAMPLE + 1;
    size_t n = 0;
    for (size_t i = 0; i < n_px && n < SAMPLE; i += step) {
        const float value = tile.px[i / tile.width_px * tile.stride_px + i % tile.width_px];
        if (isfinite(value)) {
            sample[n++] = value;
        }
    }
    if (n < 16) { /* mostly blank: take the first finite pixels instead */
        n = 0;
        for (size_t i = 0; i < n_px && n < SAMPLE; i++) {
            const float value = tile.px[i / tile.width_px * tile.stride_px + i % tile.width_px];
            if (isfinite(value)) {
                sample[n++] = value;
            }
        }
    }
    return n;
}

/* Range and step of the histogram; false when all sampled values are the same. */
static bool open_histogram(float *sample, size_t n, struct histogram *ret) {
    bool is_whole = true;
    double values[SAMPLE];
    for (size_t i = 0; i < n; i++) {
        values[i] = (double)sample[i];
        is_whole = is_whole && sample[i] == rintf(sample[i]);
    }
    double median = 0.0;
    double sigma = nw_stat_mad_sigma(values, n, &median);
    for (size_t i = 0; i < n; i++) {
        values[i] = (double)sample[i];
    }
    if (!(sigma > 0.0)) { /* more than half are equal: use the spread of the rest */
        const double low = nw_stat_quantile(values, n, 0.05);
        sigma = (nw_stat_quantile(values, n, 0.95) - low) / 3.29; /* 5 to 95 % of a Gaussian */
    }
    if (is_whole) {
        ret->width = fmax(1.0, ceil(10.0 * sigma / BINS));
        ret->low = floor(median) - 0.5 - ret->width * (BINS / 2.0);
        return true;
    }
    ret->width = 10.0 * sigma / BINS;
    ret->low = median - ret->width * (BINS / 2.0);
    return sigma > 0.0;
}

static void fill_histogram(struct nw_image_view tile, struct histogram *h) {
    const float low = (float)h->low;
    const float scale = (float)(1.0 / h->width);
    for (size_t y = 0; y < tile.height_px; y++) {
        const float *row = tile.px + y * tile.stride_px;
        for (size_t x = 0; x < tile.width_px; x++) {
            const float bin = (row[x] - low) * scale;
            if (bin >= 0.0F && bin < (float)BINS) { /* refuses NaN too */
                h->count[(size_t)bin]++;
            }
        }
    }
}

struct moments {
    double n, mean, sd, median; /* in bins */
};

static struct moments histogram_moments(const struct histogram *h) {
    double n = 0.0;
    double sum = 0.0;
    double sum2 = 0.0;
    for (size_t i = h->first; i < h->end; i++) {
        const double count = (double)h->count[i];
        const double at = (double)i + 0.5;
        n += count;
        sum += count * at;
        sum2 += count * at * at;
    }
    struct moments m = {.n = n};
    if (!(n > 0.0)) {
        return m;
    }
    m.mean = sum / n;
    m.sd = sqrt(fmax(sum2 / n - m.mean * m.mean, 0.0));
    double below = 0.0;
    for (size_t i = h->first; i < h->end; i++) {
        const double count = (double)h->count[i];
        if (below + count >= n / 2.0 && count > 0.0) {
            m.median = (double)i + (n / 2.0 - below) / count;
            break;
        }
        below += count;
    }
    return m;
}

struct tile_stat tile_measure(struct nw_image_view tile) {
    float sample[SAMPLE];
    struct tile_stat stat = {.level_adu = (double)NAN, .sigma_adu = (double)NAN};
    const size_t n_sample = take_sample(tile, sample);
    if (n_sample == 0) {
        return stat;
    }
    struct histogram h = {.first = 0, .end = BINS};
    if (!open_histogram(sample, n_sample, &h)) {
        return (struct tile_stat){(double)sample[0], 0.0, tile.width_px * tile.height_px};
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
