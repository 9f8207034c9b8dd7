/* peaks.c - where the stars are: components of connected runs, and which of their maxima stay.
 * Idea: runs of pixels are joined to components by union-find, row by row (Rosenfeld & Pfaltz
 * 1966); each component's maxima are its candidates; a fainter one stands for itself only when the
 * valley towards every brighter one nearby is deep enough (saddle contrast, as Bertin & Arnouts
 * 1996, A&AS 117, 393, sec. 4 ask of their branches). Holds: the filtered image is known above the
 * threshold; below, single values are computed when a valley asks for them. */
#include "base/big.h"
#include "image/measure_internal.h"

#define MAX_RUNS ((size_t)1 << 28)
#define MAX_PEAKS ((size_t)1 << 20)

/* All runs in the order of rows, and how to find those of a row. */
struct run_map {
    const struct field *field;
    const struct kernel *kernel;
    float threshold;
    struct run *runs;
    size_t n;
    uint32_t *row_start; /* height + 1 */
};
/* Sums over the pixels of one component: its size and shape. */
struct component {
    double n, x, y, xx, xy, yy;
};

static uint32_t root_of(struct run *runs, uint32_t i) {
    while (runs[i].parent != i) {
        runs[i].parent = runs[runs[i].parent].parent;
        i = runs[i].parent;
    }
    return i;
}

/* Joins the runs of neighbouring rows that touch, corners included. */
static void join_runs(struct run_map *list) {
    size_t above = 0;
    for (size_t i = 0; i < list->n; i++) {
        struct run *const run = &list->runs[i];
        while (above < i &&
               (list->runs[above].y < run->y - 1 ||
                (list->runs[above].y == run->y - 1 && list->runs[above].x1 < run->x0))) {
            above++;
        }
        for (size_t k = above; k < i && list->runs[k].y == run->y - 1; k++) {
            if (list->runs[k].x0 > run->x1) {
                break;
            }
            const uint32_t a = root_of(list->runs, (uint32_t)k);
            const uint32_t b = root_of(list->runs, (uint32_t)i);
            list->runs[a > b ? a : b].parent = a > b ? b : a;
        }
    }
}

/* Every run's `parent` becomes the number of its component, in the order of their first runs; how
 * many there are. */
static size_t number_components(struct run_map *list) {
    size_t n = 0;
    for (size_t i = 0; i < list->n; i++) { /* a root comes before all others of its component */
        list->runs[i].parent = root_of(list->runs, (uint32_t)i);
    }
    for (size_t i = 0; i < list->n; i++) {
        struct run *const run = &list->runs[i];
        run->parent = run->parent == i ? (uint32_t)n++ : list->runs[run->parent].parent;
    }
    return n;
}

static void sum_components(const struct run_map *list, struct component *sums) {
    for (size_t i = 0; i < list->n; i++) {
        const struct run *const run = &list->runs[i];
        struct component *const c = &sums[run->parent];
        const double n = run->x1 - run->x0;
        const double middle = 0.5 * (run->x0 + run->x1 - 1);
        c->n += n;
        c->x += n * middle;
        c->y += n * run->y;
        c->xx += n * (middle * middle + (n * n - 1.0) / 12.0); /* of n whole numbers in a row */
        c->xy += n * middle * run->y;
        c->yy += n * (double)run->y * run->y;
    }
}

/* Far longer than wide, and long: axis ratio over 4 and length over 8 kernel widths. */
static bool component_is_streak(const struct component *c, double kernel_fwhm_px) {
    const double mx = c->x / c->n;
    const double my = c->y / c->n;
    const double xx = c->xx / c->n - mx * mx + 1.0 / 12.0;
    const double yy = c->yy / c->n - my * my + 1.0 / 12.0;
    const double xy = c->xy / c->n - mx * my;
    const double mean = 0.5 * (xx + yy);
    const double root = hypot(0.5 * (xx - yy), xy);
    const double major = sqrt(mean + root);
    const double minor = sqrt(fmax(mean - root, 1.0 / 12.0));
    return major > 4.0 * minor && sqrt(12.0) * major > 8.0 * kernel_fwhm_px;
}

struct candidate {
    struct peak peak;
    uint32_t component;
};
/* Room for the order of n values. */
struct sorting {
    uint64_t *work;
    uint32_t *order;
    float *values;
};

static enum nw_status sorting_init(struct sorting *s, size_t n, struct nw_err *err) {
    s->work = nw_calloc(3 * n + 1, sizeof *s->work);
    if (!s->work) {
        return nw_err_set(err, NW_NOMEM, "order of %zu maxima", n);
    }
    s->order = (uint32_t *)(s->work + 2 * n);
    s->values = (float *)(s->order + n);
    return NW_OK;
}

/* Into the order of their components, brightest first within each; ret: room for n. */
static void sort_candidates(const struct candidate *items, size_t n, size_t n_components,
                            const struct sorting *s, uint32_t *start, struct candidate *ret) {
    for (size_t i = 0; i < n; i++) {
        s->values[i] = items[i].peak.snr;
        start[items[i].component + 1]++;
    }
    for (size_t k = 1; k <= n_components; k++) {
        start[k] += start[k - 1];
    }
    order_falling(s->values, n, s->order, s->work);
    for (size_t i = 0; i < n; i++) {
        const struct candidate *const c = &items[s->order[i]];
        ret[start[c->component]++] = *c;
    }
}

/* Brightest first. */
static void sort_peaks(const struct peak *peaks, size_t n, const struct sorting *s,
                       struct peak *ret) {
    for (size_t i = 0; i < n; i++) {
        s->values[i] = peaks[i].snr;
    }
    order_falling(s->values, n, s->order, s->work);
    for (size_t i = 0; i < n; i++) {
        ret[i] = peaks[s->order[i]];
    }
}

/* Is the filtered image below `limit` at a place? */
static bool is_below(const struct run_map *map, int32_t x, int32_t y, double limit) {
    size_t low = map->row_start[y];
    size_t high = map->row_start[y + 1];
    while (low < high) { /* the first run that ends behind x */
        const size_t middle = (low + high) / 2;
        if (map->runs[middle].x1 <= x) {
            low = middle + 1;
        } else {
            high = middle;
        }
    }
    if (low < map->row_start[y + 1] && map->runs[low].x0 <= x) {
        return (double)map->runs[low].values[x - map->runs[low].x0] < limit;
    }
    return (double)map->threshold < limit ||
           (double)filtered_at(map->field, map->kernel, (size_t)x, (size_t)y) < limit;
}

/* Deep enough: five noise sigmas (photon noise of the brighter one's wing included as sqrt of the
 * significance, common practice, no source) and 3 % of the valley's own height. Then some value on
 * the straight line between them is below what that leaves. */
static bool stands_alone(const struct run_map *map, const struct peak *bright,
                         const struct peak *faint, double share) {
    const double over = (double)faint->snr - 5.0;
    const double limit = over > 0.0 ? over / (1.0 + share) : over;
    const int32_t dx = faint->x - bright->x;
    const int32_t dy = faint->y - bright->y;
    const int32_t n = abs(dx) > abs(dy) ? abs(dx) : abs(dy);
    for (int32_t i = n - 1; i > 0; i--) { /* the lowest is near the fainter one */
        const int32_t x = bright->x + (int32_t)lround((double)dx * i / n);
        const int32_t y = bright->y + (int32_t)lround((double)dy * i / n);
        if (is_below(map, x, y, limit)) {
            return true;
        }
    }
    return false;
}

/* Candidates come brightest first within a component; returns how many stay, packed in front. */
static size_t keep_separate(const struct run_map *map, double reach_px, struct candidate *c,
                            size_t n) {
    size_t kept = 0;
    for (size_t i = 0; i < n; i++) {
        /* one entry for a trail, and what stands out from it by half: stars that it crosses */
        const bool is_on_trail = c[i].peak.is_streak && kept > 0;
        bool stays = true;
        for (size_t k = 0; k < kept && stays; k++) {
            const double distance =
                hypot((double)(c[k].peak.x - c[i].peak.x), (double)(c[k].peak.y - c[i].peak.y));
            stays = (distance > reach_px && !is_on_trail) ||
                    stands_alone(map, &c[k].peak, &c[i].peak, is_on_trail ? 0.5 : 0.03);
        }
        if (stays) {
            c[i].peak.is_streak = c[i].peak.is_streak && kept == 0;
            c[kept++] = c[i];
        }
    }
    return kept;
}

/* The peaks that stay of candidates in order, brightest first. */
static enum nw_status separate(const struct run_map *map, struct candidate *items, size_t n,
                               const struct sorting *sorting, struct peak_list *ret,
                               struct nw_err *err) {
    const double reach_px = 20.0 * map->kernel->fwhm_px;
    struct peak *const kept_peaks = nw_calloc(n, sizeof *kept_peaks);
    ret->peaks = nw_calloc(n, sizeof *ret->peaks);
    if (!kept_peaks || !ret->peaks) {
        free(kept_peaks);
        return nw_err_set(err, NW_NOMEM, "%zu peaks", n);
    }
    ret->cap = n;
    for (size_t i = 0; i < n;) {
        size_t end = i + 1;
        while (end < n && items[end].component == items[i].component) {
            end++;
        }
        const size_t kept = keep_separate(map, reach_px, items + i, end - i);
        for (size_t k = 0; k < kept; k++) {
            kept_peaks[ret->n++] = items[i + k].peak;
        }
        i = end;
    }
    sort_peaks(kept_peaks, ret->n, sorting, ret->peaks);
    free(kept_peaks);
    return NW_OK;
}

/* The runs of all bands in one list, and where each row begins. */
static void gather_runs(const struct band *bands, size_t n_bands, struct run_map *map) {
    for (size_t k = 0; k < n_bands; k++) {
        for (size_t i = 0; i < bands[k].n_runs; i++) {
            map->runs[map->n] = bands[k].runs[i];
            map->runs[map->n].parent = (uint32_t)map->n;
            map->n++;
        }
    }
    size_t at = 0;
    for (size_t y = 0; y <= map->field->image.height_px; y++) {
        while (at < map->n && (size_t)map->runs[at].y < y) {
            at++;
        }
        map->row_start[y] = (uint32_t)at;
    }
}

static void gather_candidates(const struct band *bands, size_t n_bands, const struct run_map *map,
                              const struct component *sums, struct candidate *ret) {
    size_t n = 0;
    uint32_t first_run = 0;
    for (size_t k = 0; k < n_bands; k++) {
        for (size_t i = 0; i < bands[k].n_maxima; i++) {
            const struct maximum *const m = &bands[k].maxima[i];
            const uint32_t root = map->runs[first_run + m->run].parent;
            ret[n++] = (struct candidate){
                .peak = {.x = m->x,
                         .y = m->y,
                         .snr = m->snr,
                         .is_streak = component_is_streak(&sums[root], map->kernel->fwhm_px)},
                .component = root};
        }
        first_run += (uint32_t)bands[k].n_runs;
    }
}

/* Components of all runs, and their candidates in order. */
static enum nw_status list_candidates(const struct band *bands, size_t n_bands, struct run_map *map,
                                      const struct sorting *sorting, size_t n_maxima,
                                      struct candidate *ret, struct nw_err *err) {
    gather_runs(bands, n_bands, map);
    join_runs(map);
    const size_t n = number_components(map);
    struct component *const sums = nw_calloc(n, sizeof *sums);
    uint32_t *const start = nw_calloc(n + 1, sizeof *start);
    struct candidate *const found = nw_calloc(n_maxima, sizeof *found);
    enum nw_status status = NW_OK;
    if (sums && start && found) {
        sum_components(map, sums);
        gather_candidates(bands, n_bands, map, sums, found);
        sort_candidates(found, n_maxima, n, sorting, start, ret);
    } else {
        status = nw_err_set(err, NW_NOMEM, "%zu runs of pixels with %zu maxima", map->n, n_maxima);
    }
    free(sums);
    free(start);
    free(found);
    return status;
}

enum nw_status peaks_join(const struct field *field, const struct kernel *kernel, float threshold,
                          const struct band *bands, size_t n_bands, struct peak_list *ret,
                          struct nw_err *err) {
    size_t n_runs = 0;
    size_t n_maxima = 0;
    for (size_t k = 0; k < n_bands; k++) {
        n_runs += bands[k].n_runs;
        n_maxima += bands[k].n_maxima;
    }
    if (n_runs > MAX_RUNS || n_maxima > MAX_PEAKS) {
        return nw_err_set(err, NW_LIMIT, "%zu runs of pixels with %zu maxima above the threshold",
                          n_runs, n_maxima);
    }
    struct run_map map = {.field = field, .kernel = kernel, .threshold = threshold};
    struct peak_list found = {0};
    struct sorting sorting = {NULL, NULL, NULL};
    enum nw_status status = sorting_init(&sorting, n_maxima, err);
    map.runs = nw_big_alloc((n_runs + 1) * sizeof *map.runs);
    map.row_start = nw_calloc(field->image.height_px + 1, sizeof *map.row_start);
    struct candidate *const candidates = nw_calloc(n_maxima, sizeof *candidates);
    if (status == NW_OK && (!map.runs || !map.row_start || !candidates)) {
        status = nw_err_set(err, NW_NOMEM, "%zu runs of pixels", n_runs);
    }
    if (status == NW_OK) {
        status = list_candidates(bands, n_bands, &map, &sorting, n_maxima, candidates, err);
    }
    if (status == NW_OK && n_maxima > 0) {
        status = separate(&map, candidates, n_maxima, &sorting, &found, err);
    }
    if (status == NW_OK) {
        *ret = found;
        found = (struct peak_list){0};
    }
    nw_big_free(map.runs);
    free(map.row_start);
    free(sorting.work);
    free(candidates);
    free(found.peaks);
    return status;
}
