/* forms.c - rings, trails and doubles: what all stars of a frame show.
 * Idea: the connected pixels above half of a bright star's top have a length and a width; when most
 * stars are long in one direction the frame is trailed. Else their stacked radial profile shows a
 * hole or a flat top: a disc of defocus has half of its light within 0.71 of its edge, a ring
 * within more, a star of any seeing at its half width or beyond. Doubles are pairs at one vector:
 * counted in a map of all differences of positions, against what chance gives (doubles.c). Holds: a
 * frame is called something only when most of its bright stars are so. */
#include "image/forms_internal.h"

enum { OBJECTS = 40, OBJECTS_MIN = 4, BINS = 41 };
static const double LONG = 1.8;     /* length over width of a trail */
static const double IN_STEP = 0.85; /* mean of exp(2 i angle) of trails in one direction */
static const double MOST = 0.7;     /* of the objects */
static const double HOLLOW = 0.75;  /* middle over brightest of a ring */
static const double FLAT = 0.85;    /* half-light over half-maximum radius of a disc */
static const double SHARP_PX = 3.0; /* half widths below are not looked at for a flat top */

/* Connected pixels above half of the top. */
struct region {
    double n, x, y, xx, xy, yy; /* about the window's first pixel */
    bool is_at_border;
};

struct object {
    double x, y, length_px, width_px, angle_rad;
    bool is_cut; /* reaches past the window */
};

struct stack {
    double light[BINS], weight[BINS];
    size_t n;
};

static double top_of(const struct window *w, double reach_px, double variance_per_adu,
                     int *ret_at) {
    const int mid = w->side / 2;
    double top = -INFINITY;
    for (int k = 0; k < w->side * w->side; k++) {
        const int row = k / w->side;
        const double dx = k % w->side - mid;
        const double dy = row - mid;
        if (dx * dx + dy * dy <= reach_px * reach_px && (double)w->px[k] > top) {
            top = (double)w->px[k];
            *ret_at = k;
        }
    }
    /* the highest of many like pixels stands some 1.5 sigmas above them */
    return top - 1.5 * sqrt(w->noise_adu * w->noise_adu + fmax(top, 0.0) * variance_per_adu);
}

static void region_add(struct region *r, int i, int j) {
    r->n += 1.0;
    r->x += i;
    r->y += j;
    r->xx += (double)i * i;
    r->xy += (double)i * j;
    r->yy += (double)j * j;
}

static struct region region_grow(const struct window *w, int start, double level_adu) {
    enum { SIZE = WINDOW_MAX_SIDE * WINDOW_MAX_SIDE };
    bool is_seen[SIZE] = {false};
    int16_t open[SIZE];
    int n_open = 0;
    struct region r = {0};
    open[n_open++] = (int16_t)start;
    is_seen[start] = true;
    while (n_open > 0) {
        const int k = open[--n_open];
        const int i = k % w->side;
        const int j = k / w->side;
        region_add(&r, i, j);
        if (i == 0 || j == 0 || i == w->side - 1 || j == w->side - 1) {
            r.is_at_border = true;
            continue;
        }
        for (int step = 0; step < 9; step++) {
            const int next = k + (step / 3 - 1) * w->side + step % 3 - 1;
            if (!is_seen[next] && (double)w->px[next] > level_adu) { /* each enters once */
                is_seen[next] = true;
                open[n_open++] = (int16_t)next;
            }
        }
    }
    return r;
}

static struct object object_of(const struct region *r, const struct window *w) {
    const double x = r->x / r->n;
    const double y = r->y / r->n;
    const double xx = r->xx / r->n - x * x + 1.0 / 12.0; /* a pixel is as wide as it is */
    const double yy = r->yy / r->n - y * y + 1.0 / 12.0;
    const double xy = r->xy / r->n - x * y;
    const double root = hypot(0.5 * (xx - yy), xy);
    const double major = 0.5 * (xx + yy) + root;
    const double minor = 0.5 * (xx + yy) - root;
    return (struct object){.x = w->x0 + x,
                           .y = w->y0 + y,
                           .length_px = sqrt(12.0 * major), /* of a bar */
                           .width_px = sqrt(12.0 * fmax(minor, 0.0)),
                           .angle_rad = 0.5 * atan2(2.0 * xy, xx - yy),
                           .is_cut = r->is_at_border};
}

static void stack_add(struct stack *stack, const struct window *w, const struct object *o,
                      double top_adu) {
    for (int k = 0; k < w->side * w->side; k++) {
        const double value = (double)w->px[k];
        const int row = k / w->side;
        const double dx = w->x0 + k % w->side - o->x;
        const double dy = w->y0 + row - o->y;
        const int bin = (int)sqrt(dx * dx + dy * dy);
        if (isfinite(value) && bin < BINS) {
            stack->light[bin] += value / top_adu;
            stack->weight[bin] += 1.0;
        }
    }
    stack->n++;
}

static void stack_join(struct stack *stack, const struct stack *other) {
    for (int k = 0; k < BINS; k++) {
        stack->light[k] += other->light[k];
        stack->weight[k] += other->weight[k];
    }
    stack->n += other->n;
}

static bool is_known(const struct object *objects, size_t n, const struct object *o) {
    for (size_t i = 0; i < n; i++) {
        if (hypot(objects[i].x - o->x, objects[i].y - o->y) < 3.0) {
            return true; /* another maximum of the same trail or ring */
        }
    }
    return false;
}

/* What the window about one star shows. */
struct look {
    bool is_seen; /* stands out enough */
    struct object object;
    struct stack stack;
};

struct look_job {
    const struct field *field;
    const struct nw_star *const *stars;
    double fwhm_px;
    struct look *looks;
};

static void look_at_star(void *user, size_t i) {
    const struct look_job *const job = user;
    const struct nw_star *const star = job->stars[i];
    struct look *const look = &job->looks[i];
    struct window w;
    window_cut(job->field, star->x_px, star->y_px, WINDOW_MAX_RADIUS, &w);
    (void)window_drop_hits(&w, job->field, 0.5 * job->fwhm_px);
    int at = -1;
    const double reach = fmax(0.8 * job->fwhm_px, 2.0);
    const double top = top_of(&w, reach, job->field->variance_per_adu, &at);
    *look = (struct look){.is_seen = at >= 0 && top > 12.0 * w.noise_adu};
    if (look->is_seen) {
        const struct region region = region_grow(&w, at, 0.5 * top);
        look->object = object_of(&region, &w);
        stack_add(&look->stack, &w, &look->object, top);
    }
}

/* The brightest objects: OBJECTS stars at a time are looked at, until there are as many objects. */
static size_t look_at_objects(const struct field *field, const struct nw_measure *m, double fwhm_px,
                              struct object objects[static OBJECTS], struct stack *stack) {
    enum { ROUNDS = 10 };
    const uint32_t unfit = NW_STAR_SATURATED | NW_STAR_EDGE;
    const struct nw_star *stars[OBJECTS];
    struct look looks[OBJECTS];
    struct look_job job = {field, stars, fwhm_px, looks};
    size_t n = 0;
    size_t next = 0;
    while (n < OBJECTS && next < m->n_stars && next < ROUNDS * (size_t)OBJECTS) {
        size_t n_stars = 0;
        for (; next < m->n_stars && next < ROUNDS * (size_t)OBJECTS && n_stars < OBJECTS; next++) {
            stars[n_stars] = &m->stars[next];
            n_stars += m->stars[next].flags & unfit ? 0 : 1;
        }
        (void)nw_parallel_for(n_stars, field->n_threads, look_at_star, &job, NULL);
        for (size_t i = 0; i < n_stars && n < OBJECTS; i++) {
            if (looks[i].is_seen && !is_known(objects, n, &looks[i].object)) {
                objects[n++] = looks[i].object;
                stack_join(stack, &looks[i].stack);
            }
        }
    }
    return n;
}

static bool find_trail(const struct object *objects, size_t n, struct nw_forms *ret) {
    double length[OBJECTS];
    double width[OBJECTS];
    double c = 0.0;
    double s = 0.0;
    size_t n_long = 0;
    size_t n_whole = 0;
    for (size_t i = 0; i < n; i++) {
        const struct object *const o = &objects[i];
        if (o->length_px > LONG * o->width_px) {
            c += cos(2.0 * o->angle_rad);
            s += sin(2.0 * o->angle_rad);
            width[n_long++] = o->width_px;
            if (!o->is_cut) {
                length[n_whole++] = o->length_px;
            }
        }
    }
    if ((double)n_long < MOST * (double)n || hypot(c, s) < IN_STEP * (double)n_long) {
        return false;
    }
    ret->trail_length_px = 2 * n_whole > n_long ? nw_stat_median(length, n_whole) : (double)NAN;
    ret->trail_width_px = nw_stat_median(width, n_long);
    ret->trail_angle_rad = 0.5 * atan2(s, c);
    return true;
}

/* Radius where the profile passes `level`, from bin `first` in steps of +1 or -1; NaN: nowhere. */
static double crossing(const double *profile, int first, int step, double level) {
    for (int k = first; k + step >= 0 && k + step < BINS; k += step) {
        const double here = profile[k];
        const double next = profile[k + step];
        if (here >= level && next < level) {
            return k + 0.5 + step * (here - level) / (here - next); /* bin k is k .. k + 1 */
        }
    }
    return NAN;
}

static double half_light(const double *profile, double r_max) {
    double total = 0.0;
    const int end = (int)fmin(ceil(r_max), (double)BINS);
    for (int k = 0; k < end; k++) {
        total += profile[k] * (2.0 * k + 1.0); /* area of a ring over pi */
    }
    double below = 0.0;
    for (int k = 0; k < end; k++) {
        const double light = profile[k] * (2.0 * k + 1.0);
        if (below + light > 0.5 * total) {
            const double share = (0.5 * total - below) / light;
            return sqrt((double)k * k + share * (2.0 * k + 1.0));
        }
        below += light;
    }
    return NAN;
}

static bool find_ring(const struct stack *stack, struct nw_forms *ret, double *ret_half_light) {
    double profile[BINS];
    int top = 0;
    for (int k = 0; k < BINS; k++) {
        profile[k] = stack->weight[k] > 0.0 ? stack->light[k] / stack->weight[k] : 0.0;
        top = profile[k] > profile[top] ? k : top;
    }
    const double outer = crossing(profile, top, 1, 0.5 * profile[top]);
    const double middle = (profile[0] + 3.0 * profile[1]) / 4.0; /* within 2 px */
    const bool is_hollow = top >= 2 && middle < HOLLOW * profile[top];
    *ret_half_light = half_light(profile, 1.5 * outer);
    const bool is_flat = outer > SHARP_PX && *ret_half_light < FLAT * outer;
    if (!isfinite(outer) || !(is_hollow || is_flat)) {
        return false;
    }
    ret->ring_diameter_px = 2.0 * outer;
    ret->ring_hole_px = is_hollow ? 2.0 * crossing(profile, top, -1, 0.5 * profile[top]) : 0.0;
    return true;
}

struct nw_forms forms_none(void) {
    return (struct nw_forms){.ring_diameter_px = NAN,
                             .ring_hole_px = NAN,
                             .doubling_x_px = NAN,
                             .doubling_y_px = NAN,
                             .doubling_ratio = NAN,
                             .trail_length_px = NAN,
                             .trail_width_px = NAN,
                             .trail_angle_rad = NAN};
}

/* Width of the ordinary stars; NaN when hardly any star has one. On plates and where detectors
 * give in gently the brightest stars alone have flat tops. */
static double ordinary_width(const struct nw_measure *m) {
    enum { LOOK = 400 };
    double widths[LOOK];
    size_t n = 0;
    size_t n_seen = 0;
    for (size_t i = 0; i < m->n_stars && n_seen < LOOK; i++) {
        if (m->stars[i].snr > 20.0 && !(m->stars[i].flags & NW_STAR_EDGE)) {
            n_seen++;
            widths[n] = m->stars[i].fwhm_px;
            n += isfinite(widths[n]) ? 1 : 0;
        }
    }
    return 3 * n > n_seen ? nw_stat_median(widths, n) : (double)NAN;
}

uint32_t forms_measure(const struct field *field, const struct nw_measure *m, double fwhm_px,
                       struct nw_forms *ret, double *ret_half_light_px) {
    struct object objects[OBJECTS];
    struct stack stack = {0};
    uint32_t flags = 0;
    *ret = forms_none();
    *ret_half_light_px = NAN;
    const size_t n = look_at_objects(field, m, fwhm_px, objects, &stack);
    double half_light_px = NAN;
    if (n >= OBJECTS_MIN && find_trail(objects, n, ret)) {
        flags |= NW_FRAME_TRAILED;
    } else if (n >= OBJECTS_MIN && find_ring(&stack, ret, &half_light_px) &&
               !(ordinary_width(m) < 0.7 * ret->ring_diameter_px)) {
        flags |= NW_FRAME_OUT_OF_FOCUS;
        *ret_half_light_px = half_light_px;
    }
    if (!(flags & NW_FRAME_OUT_OF_FOCUS)) {
        ret->ring_diameter_px = ret->ring_hole_px = NAN;
    }
    /* several maxima of one ring or trail lie at common vectors too */
    flags |= flags == 0 && doubles_find(m->stars, m->n_stars, ret) ? NW_FRAME_DOUBLED : 0;
    return flags;
}

void forms_scale(struct nw_forms *forms, double pitch) {
    forms->ring_diameter_px *= pitch;
    forms->ring_hole_px *= pitch;
    forms->doubling_x_px *= pitch;
    forms->doubling_y_px *= pitch;
    forms->trail_length_px *= pitch;
    forms->trail_width_px *= pitch;
}
