/* aspects_internal.h - what the files behind aspects.h share. Coordinates are those of the measured
 * grid; aspects.c turns them into frame pixels. */
#ifndef NW_ASPECTS_INTERNAL_H
#define NW_ASPECTS_INTERNAL_H

#include "image/measure_internal.h"

struct star_list { /* grid px, brightest first */
    const struct nw_star *stars;
    size_t n;
    double fwhm_px; /* delivered, of the frame; NaN: not measured */
    double neq_area_px2;
};

/* gradient.c */
struct nw_gradient gradient_measure(const struct nw_background *background, size_t width_px,
                                    size_t height_px);
/* noise.c */
struct nw_noise noise_measure(const struct field *field);
/* halo.c */
struct nw_halo halo_measure(const struct field *field, const struct star_list *list);
/* aspects.c */
struct star_list star_list_of(const struct nw_measure *m, const struct seeing *seeing,
                              double neq_area_px2, double pixel_width);
struct nw_aspects aspects_none(void); /* nothing measured */
void aspects_measure(const struct field *field, const struct star_list *list,
                     const struct nw_camera_noise *camera, double exposure_s,
                     struct nw_aspects *ret);
/* What needs the frame's summary. */
void aspects_finish(struct nw_measure *m);

#endif
