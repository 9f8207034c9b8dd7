/* forms_internal.h - what forms.c and doubles.c share with the summary of a frame. */
#ifndef NW_FORMS_INTERNAL_H
#define NW_FORMS_INTERNAL_H

#include "image/measure_internal.h"

struct nw_forms forms_none(void);
/* Stars brightest first, all in grid pixels; returns the frame's flags. *ret_half_light_px is set
 * when the frame is out of focus, else NaN. */
uint32_t forms_measure(const struct field *field, const struct nw_measure *m, double fwhm_px,
                       struct nw_forms *ret, double *ret_half_light_px);
void forms_scale(struct nw_forms *forms, double pitch);
/* Every star twice at the same vector; fills the doubling when so. */
bool doubles_find(const struct nw_star *stars, size_t n, struct nw_forms *ret);

#endif
