/* panel_light.c - light and bias frames beside flats: the slope that is left of a light when it was
 * divided by its flat, the offset.
 * Idea: zones are fifths, as those of flats; the plane through 25 of them by least squares, which
 * for a regular grid is a sum over the zones. */
#include "light/panel.h"

#include <math.h>

enum { SAMPLES = 4000, MIDDLE = NW_FLAT_ZONES / 2 };

/* Median over squares of 2 x 2 pixels, so that of a pattern all colours count alike, wherever a
 * zone begins; evenly over the zone, at most SAMPLES. rows: room for two. */
static double zone_median(const struct nw_image_view *view, size_t zone, double offset_adu,
                          double *values, float *rows) {
    const size_t w = view->width_px / NW_FLAT_ZONES;
    const size_t h = view->height_px / NW_FLAT_ZONES;
    const size_t step = 2 + (size_t)sqrt((double)w * (double)h / SAMPLES);
    const size_t x0 = zone % NW_FLAT_ZONES * w;
    const size_t y0 = zone / NW_FLAT_ZONES * h;
    size_t n = 0;
    for (size_t y = 0; y + 1 < h; y += step) {
        const float *const low = nw_image_span(view, x0, w, y0 + y, rows);
        const float *const high = nw_image_span(view, x0, w, y0 + y + 1, rows + view->width_px);
        for (size_t x = 0; x + 1 < w && n < SAMPLES; x += step) {
            const double sum =
                (double)low[x] + (double)low[x + 1] + (double)high[x] + (double)high[x + 1];
            if (isfinite(sum)) {
                values[n++] = 0.25 * sum - offset_adu;
            }
        }
    }
    return n ? nw_stat_median(values, n) : NAN;
}

enum nw_status nw_flat_slope_of(const struct nw_frame *light, double offset_adu,
                                const double flat_zones[NW_FLAT_N_ZONES], struct nw_flat_slope *ret,
                                struct nw_err *err) {
    const struct nw_image_view view = nw_frame_plane(light, 0);
    double *const values = nw_calloc(SAMPLES, sizeof *values);
    float *const rows = nw_calloc(2 * light->width_px, sizeof *rows);
    enum nw_status status = NW_OK;
    double sum = 0.0;
    double along[2] = {0.0, 0.0};
    double square = 0.0; /* of the distances along one axis */
    if (!values || !rows) {
        status = nw_err_set(err, NW_NOMEM, "zones of a light frame");
        goto done;
    }
    for (size_t z = 0; z < NW_FLAT_N_ZONES; z++) {
        /* from the middle, 1 at the edge */
        const double u = ((double)(z % NW_FLAT_ZONES) - MIDDLE) / (0.5 * NW_FLAT_ZONES);
        const size_t at_y = z / NW_FLAT_ZONES;
        const double v = ((double)at_y - MIDDLE) / (0.5 * NW_FLAT_ZONES);
        const double share = zone_median(&view, z, offset_adu, values, rows) / flat_zones[z];
        sum += share;
        along[0] += share * u;
        along[1] += share * v;
        square += u * u;
    }
    const double mean = sum / NW_FLAT_N_ZONES;
    const double rotator_rad = isfinite(light->facts.rotator_rad) ? light->facts.rotator_rad : 0.0;
    const bool is_west = nw_text_equal_nocase(light->facts.tube_side, "west");
    *ret = (struct nw_flat_slope){.x = along[0] / square / mean,
                                  .y = along[1] / square / mean,
                                  .turn_rad = rotator_rad + (is_west ? NW_PI : 0.0),
                                  .ra_rad = light->facts.ra_rad,
                                  .dec_rad = light->facts.dec_rad};
done:
    free(values);
    free(rows);
    return status;
}
