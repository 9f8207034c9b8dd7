/* look_internal.h - shared by the files of look only. */
#ifndef NW_LOOK_INTERNAL_H
#define NW_LOOK_INTERNAL_H

#include "look/look.h"

/* Numbers of one group, one row a frame that has them all finite, in time order. */
struct look_series {
    double *x, *y; /* what is plotted against what */
    size_t *frame; /* index of the frame */
    size_t n;
    double *work; /* n_max doubles for statistics that reorder */
};
enum nw_status look_series_init(struct look_series *series, size_t n_max,
                                struct nw_err *err) NW_CHECKED;
void look_series_done(struct look_series *series);
/* Appends when both are finite. */
void look_series_add(struct look_series *series, size_t frame, double x, double y);

double look_median(const struct look_series *series); /* of y; NaN when empty */
double look_quantile(const struct look_series *series, double p);
double look_mad_sigma(const struct look_series *series);

/* Least squares after clipping at 3 robust sigmas; n < 3 or no spread in x: slope NaN. */
struct nw_look_line look_line(struct look_series *series);
/* The largest step of y; y must be > 0. Found when over 5 sigma and 5 %. */
struct nw_look_step look_step(struct look_series *series);

/* Each fills its part of a group; `series` has room for the group's frames. */
void look_width(const struct nw_look *look, struct nw_look_group *group,
                struct look_series *series);
void look_shape(const struct nw_look *look, struct nw_look_group *group,
                struct look_series *series);
void look_field(const struct nw_look *look, struct nw_look_group *group,
                struct look_series *series);
enum nw_status look_light(const struct nw_look *look, struct nw_look_group *group,
                          struct look_series *series, struct nw_err *err) NW_CHECKED;
void look_sky(const struct nw_look *look, struct nw_look_group *group, struct look_series *series);

void look_aspects(const struct nw_look *look, struct nw_look_group *group,
                  struct look_series *series); /* after shape and width */

void look_losses(const struct nw_look *look, struct nw_look_group *group,
                 struct look_series *series); /* after light and aspects */

enum nw_status look_groups(struct nw_look *look, struct nw_err *err) NW_CHECKED;
enum nw_status look_nights(struct nw_look *look, struct nw_err *err) NW_CHECKED;
enum nw_status look_changes(struct nw_look *look, struct nw_err *err) NW_CHECKED;
enum nw_status look_findings(struct nw_look *look, struct nw_err *err) NW_CHECKED;

/* Needed before the light can be compared: order in time, groups. look_prepare sorts the frames,
 * works out airmass and times, makes the groups; look_finish computes all the rest. */
enum nw_status look_prepare(struct nw_look *look, struct nw_err *err) NW_CHECKED;
enum nw_status look_finish(struct nw_look *look, struct nw_err *err) NW_CHECKED;

/* Hours since the first frame with a time. */
double look_hours(const struct nw_look *look, const struct nw_look_frame *frame);

/* A span of airmass below this says nothing about a slope. */
#define LOOK_AIRMASS_SPAN 0.15
#define LOOK_SLOPE_FRAMES 6

struct nw_hand_sub;
struct nw_hand_group;
/* handover_angle.c: how far the subs' camera was turned, by their stars. */
void hand_find_turns(struct nw_hand_sub *subs, size_t n, const struct nw_hand_group *groups,
                     size_t n_groups);

#endif
