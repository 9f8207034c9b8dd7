/* panel_flat.c - one flat measured: level, evenness, and its share of the map of shadows.
 * Idea: bins of 4 x 4 px hold each colour of a pattern equally often, so the pattern goes; each
 * frame is divided by its own mean, so the lamp goes. Levels are means of bins, zones are fifths.
 */
#include "light/panel.h"

#include <math.h>

enum { BIN_PX = 4, LEAST_PX = 40 };
#define CLIPPED_SHARE 1e-3

void nw_flat_map_done(struct nw_flat_map *map) {
    nw_big_free(map->px);
    *map = (struct nw_flat_map){.px = NULL};
}

struct sums {
    double colour[4]; /* of the middle fifth, by place in the pattern */
    double n_colour[4];
    double zone[4][NW_FLAT_N_ZONES], n_zone[4][NW_FLAT_N_ZONES]; /* likewise */
    double top, n_top;
};

/* One row into its bins, zones, colours. */
static void add_row(const float *row, const struct nw_frame *frame, size_t y, double offset,
                    struct sums *sums, float *bins) {
    const size_t zone_y = y * NW_FLAT_ZONES / frame->height_px;
    const size_t w = frame->width_px;
    for (size_t zx = 0; zx < NW_FLAT_ZONES; zx++) {
        const size_t first = (zx * w + NW_FLAT_ZONES - 1) / NW_FLAT_ZONES;
        const size_t end = ((zx + 1) * w + NW_FLAT_ZONES - 1) / NW_FLAT_ZONES;
        const size_t zone = zone_y * NW_FLAT_ZONES + zx;
        double sum[2] = {0.0, 0.0};
        double n[2] = {0.0, 0.0};
        for (size_t x = first; x < end; x++) {
            const double v = (double)row[x] - offset;
            sum[x % 2] += v;
            n[x % 2] += 1.0;
            if (x / BIN_PX < w / BIN_PX) {
                bins[x / BIN_PX] += (float)v;
            }
            if ((double)row[x] > sums->top) {
                sums->top = (double)row[x];
                sums->n_top = 0.0;
            }
            sums->n_top += (double)row[x] >= sums->top;
            if (zone == NW_FLAT_N_ZONES / 2) {
                sums->colour[(y % 2) * 2 + x % 2] += v;
                sums->n_colour[(y % 2) * 2 + x % 2] += 1.0;
            }
        }
        for (size_t k = 0; k < 2; k++) {
            sums->zone[(y % 2) * 2 + k][zone] += sum[k];
            sums->n_zone[(y % 2) * 2 + k][zone] += n[k];
        }
    }
}

static void levels(const struct sums *s, const char *pattern, struct nw_flat *flat) {
    static const char LETTERS[] = "RGB";
    if (!pattern[0]) {
        double sum = 0.0;
        double n = 0.0;
        for (size_t k = 0; k < 4; k++) {
            sum += s->colour[k];
            n += s->n_colour[k];
        }
        flat->level_adu = sum / n;
        return;
    }
    flat->level_adu = -INFINITY;
    for (size_t c = 0; c < 3; c++) {
        double sum = 0.0;
        double n = 0.0;
        for (size_t k = 0; k < 4; k++) {
            if (pattern[k] == LETTERS[c]) {
                sum += s->colour[k];
                n += s->n_colour[k];
            }
        }
        flat->colour_adu[c] = n > 0.0 ? sum / n : NAN;
        flat->level_adu = fmax(flat->level_adu, flat->colour_adu[c]);
    }
}

/* Mean of a zone over the places of a colour ('R', 'G', 'B'; 0: all) against that of the middle
 * one. */
static double zone_of(const struct sums *s, const char *pattern, char colour, size_t zone) {
    double sum[2] = {0.0, 0.0};
    double n[2] = {0.0, 0.0};
    const size_t at[2] = {zone, NW_FLAT_N_ZONES / 2};
    for (size_t k = 0; k < 4; k++) {
        for (size_t i = 0; i < 2 && (colour == 0 || pattern[k] == colour); i++) {
            sum[i] += s->zone[k][at[i]];
            n[i] += s->n_zone[k][at[i]];
        }
    }
    return sum[0] / n[0] / (sum[1] / n[1]);
}

static enum nw_status add_to_map(struct nw_flat_map *map, const float *bins, size_t w, size_t h,
                                 struct nw_err *err) {
    if (!map->px) {
        *map = (struct nw_flat_map){
            .px = nw_big_alloc(w * h * sizeof(float)), .width = w, .height = h, .bin_px = BIN_PX};
        if (!map->px) {
            return nw_err_set(err, NW_NOMEM, "a map of %zu x %zu bins", w, h);
        }
    }
    if (map->width != w || map->height != h) {
        return nw_err_set(err, NW_DATA,
                          "%zu x %zu bins of %d px, expected %zu x %zu as the flats before it", w,
                          h, BIN_PX, map->width, map->height);
    }
    double sum = 0.0;
    for (size_t i = 0; i < w * h; i++) {
        sum += (double)bins[i];
    }
    const double scale = (double)(w * h) / sum;
    for (size_t i = 0; i < w * h; i++) {
        map->px[i] += (float)((double)bins[i] * scale);
    }
    map->n_frames++;
    return NW_OK;
}

enum nw_status nw_flat_measure(const struct nw_frame *frame, double offset_adu, const char *pattern,
                               struct nw_flat_map *map, struct nw_flat *ret, struct nw_err *err) {
    const size_t w = frame->width_px;
    const size_t h = frame->height_px;
    if (w < LEAST_PX || h < LEAST_PX || frame->n_planes != 1) {
        return nw_err_set(err, NW_DATA,
                          "%zu x %zu px, %zu planes; expected one plane of 40 x 40 at "
                          "least",
                          w, h, frame->n_planes);
    }
    struct nw_flat flat = {.setting = NAN,
                           .colour_adu = {NAN, NAN, NAN},
                           .exposure_s = frame->facts.exposure_s,
                           .t_utc_s = frame->facts.t_start_utc_s,
                           .rotator_rad = frame->facts.rotator_rad};
    nw_text_copy(flat.filter, sizeof flat.filter, frame->facts.filter);
    float *const bins = nw_big_alloc((w / BIN_PX) * (h / BIN_PX) * sizeof(float));
    float *const row = nw_calloc(w, sizeof *row);
    struct sums sums = {.top = -INFINITY};
    enum nw_status status = NW_OK;
    if (!bins || !row) {
        status = nw_err_set(err, NW_NOMEM, "a flat of %zu x %zu px", w, h);
        goto done;
    }
    const struct nw_image_view view = nw_frame_plane(frame, 0);
    float *const spare = bins; /* rows beyond the last whole bin go nowhere new */
    for (size_t y = 0; y < h; y++) {
        const size_t by = y / BIN_PX < h / BIN_PX ? y / BIN_PX : h / BIN_PX - 1;
        add_row(nw_image_span(&view, 0, w, y, row), frame, y, offset_adu, &sums,
                spare + by * (w / BIN_PX));
    }
    levels(&sums, pattern, &flat);
    flat.is_clipped = sums.n_top > CLIPPED_SHARE * (double)w * (double)h;
    for (size_t z = 0; z < NW_FLAT_N_ZONES; z++) {
        flat.zones[z] = zone_of(&sums, pattern, 0, z);
        for (size_t c = 0; c < 3; c++) {
            flat.colour_zones[c][z] = pattern[0] ? zone_of(&sums, pattern, "RGB"[c], z) : NAN;
        }
    }
    if (!(flat.level_adu > 0.0)) {
        status = nw_err_set(err, NW_DATA, "no light: %.1f adu above the offset", flat.level_adu);
    } else if (map && !flat.is_clipped) {
        status = add_to_map(map, bins, w / BIN_PX, h / BIN_PX, err);
    }
    if (status == NW_OK) {
        *ret = flat;
    }
done:
    nw_big_free(bins);
    free(row);
    return status;
}
