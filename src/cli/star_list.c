/* star_list.c - stars of a catalogue around a field. */
#include "cli/star_list.h"

#include <math.h>

static int by_magnitude(const void *a, const void *b) {
    const struct nw_reference *const x = a;
    const struct nw_reference *const y = b;
    return (x->v_mag > y->v_mag) - (x->v_mag < y->v_mag);
}

size_t cli_star_list(const struct nw_catalogue *catalogue, const struct nw_setup *setup,
                     const double place_rad[static 2], double faintest_mag, size_t room,
                     struct nw_reference *ret) {
    static const size_t MOST = 4000;
    struct nw_near *const near = nw_calloc(MOST, sizeof *near);
    const double half = 0.5 * nw_setup_scale_rad(setup) *
                        hypot((double)setup->camera.width_px, (double)setup->camera.height_px);
    size_t n = 0;
    const size_t n_near = near ? nw_catalogue_near(catalogue, place_rad, 1.25 * half, faintest_mag,
                                                   1U << NW_KIND_STAR, MOST, near)
                               : 0;
    for (size_t i = 0; i < n_near && n < room; i++) {
        struct nw_entry e;
        nw_catalogue_at(catalogue, near[i].i, &e);
        if (isfinite(e.magnitude)) {
            ret[n++] = (struct nw_reference){e.ra_rad, e.dec_rad, e.magnitude, e.colour_mag};
        }
    }
    free(near);
    qsort(ret, n, sizeof *ret, by_magnitude);
    return n;
}
