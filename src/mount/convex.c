/* convex.c - see convex.h. Sub-distances on segment, triangle and tetrahedron: Ericson (2005,
 * Real-Time Collision Detection, sec. 5.1). */
#include "mount/convex.h"

#include <float.h>
#include <math.h>
#include <stddef.h>
#include <string.h>

enum { MAX_STEPS = 64 };
static const double TOLERANCE_M = 1e-8;

static double dot(const double a[static 3], const double b[static 3]) {
    return a[0] * b[0] + a[1] * b[1] + a[2] * b[2];
}

static void subtract(const double a[static 3], const double b[static 3], double ret[static 3]) {
    for (int i = 0; i < 3; i++) {
        ret[i] = a[i] - b[i];
    }
}

static void cross(const double a[static 3], const double b[static 3], double ret[static 3]) {
    ret[0] = a[1] * b[2] - a[2] * b[1];
    ret[1] = a[2] * b[0] - a[0] * b[2];
    ret[2] = a[0] * b[1] - a[1] * b[0];
}

static double along_axis(const struct convex *body, int axis, const double d[static 3]) {
    return body->axes[0][axis] * d[0] + body->axes[1][axis] * d[1] + body->axes[2][axis] * d[2];
}

/* How far the body reaches along each of its own directions, for the direction d. */
static void support_local(const struct convex *body, const double d[static 3],
                          double local[static 3]) {
    const double u[3] = {along_axis(body, 0, d), along_axis(body, 1, d), along_axis(body, 2, d)};
    local[0] = u[0] < 0.0 ? -body->half[0] : body->half[0];
    if (!body->is_round) {
        local[1] = u[1] < 0.0 ? -body->half[1] : body->half[1];
        local[2] = u[2] < 0.0 ? -body->half[2] : body->half[2];
        return;
    }
    const double across = sqrt(u[1] * u[1] + u[2] * u[2]);
    const double scale = across > 0.0 ? body->half[1] / across : 0.0;
    local[1] = u[1] * scale;
    local[2] = u[2] * scale;
}

void convex_support(const struct convex *body, const double d[static 3], double ret[static 3]) {
    double local[3];
    support_local(body, d, local);
    for (int i = 0; i < 3; i++) {
        ret[i] = body->at[i] + body->axes[i][0] * local[0] + body->axes[i][1] * local[1] +
                 body->axes[i][2] * local[2];
    }
}

double convex_extent(const struct convex *body, const double d[static 3]) {
    double local[3];
    support_local(body, d, local);
    return along_axis(body, 0, d) * local[0] + along_axis(body, 1, d) * local[1] +
           along_axis(body, 2, d) * local[2];
}

double convex_from_point(const struct convex *body, const double point[static 3]) {
    double between[3];
    subtract(point, body->at, between);
    const double along = fmax(0.0, fabs(along_axis(body, 0, between)) - body->half[0]);
    const double u = along_axis(body, 1, between);
    const double v = along_axis(body, 2, between);
    if (body->is_round) {
        const double across = fmax(0.0, sqrt(u * u + v * v) - body->half[1]);
        return sqrt(along * along + across * across);
    }
    const double p = fmax(0.0, fabs(u) - body->half[1]);
    const double q = fmax(0.0, fabs(v) - body->half[2]);
    return sqrt(along * along + p * p + q * q);
}

/* Narrows the stretch low..high of a ray, p + t d, to where it lies between two planes. */
static bool between_planes(double p, double d, double half, double *low, double *high) {
    if (fabs(d) < 1e-15) {
        return fabs(p) <= half;
    }
    const double a = (-half - p) / d;
    const double b = (half - p) / d;
    *low = fmax(*low, fmin(a, b));
    *high = fmin(*high, fmax(a, b));
    return *low <= *high;
}

bool convex_is_hit(const struct convex *body, const double from[static 3],
                   const double direction[static 3]) {
    double between[3];
    subtract(from, body->at, between);
    double p[3];
    double d[3];
    for (int i = 0; i < 3; i++) {
        p[i] = along_axis(body, i, between);
        d[i] = along_axis(body, i, direction);
    }
    double low = 0.0;
    double high = INFINITY;
    if (!between_planes(p[0], d[0], body->half[0], &low, &high)) {
        return false;
    }
    if (!body->is_round) {
        return between_planes(p[1], d[1], body->half[1], &low, &high) &&
               between_planes(p[2], d[2], body->half[2], &low, &high);
    }
    const double a = d[1] * d[1] + d[2] * d[2]; /* |p + t d|^2 <= r^2 across the axis */
    const double b = p[1] * d[1] + p[2] * d[2];
    const double c = p[1] * p[1] + p[2] * p[2] - body->half[1] * body->half[1];
    if (a < 1e-30) {
        return c <= 0.0;
    }
    const double inside = b * b - a * c;
    if (inside < 0.0) {
        return false;
    }
    const double root = sqrt(inside);
    return fmax(low, (-b - root) / a) <= fmin(high, (-b + root) / a);
}

double convex_reach(const struct convex *body) {
    return sqrt(body->half[0] * body->half[0] + body->half[1] * body->half[1] +
                (body->is_round ? 0.0 : body->half[2] * body->half[2]));
}

/* ---- Simplices: points of the difference; reduced to those that carry the nearest point ---- */

struct simplex {
    double p[4][3];
    int n;
};

static void keep(struct simplex *s, const int *index, int n) {
    struct simplex kept = {.n = n};
    for (int i = 0; i < n; i++) {
        memcpy(kept.p[i], s->p[index[i]], sizeof kept.p[i]);
    }
    *s = kept;
}

static void on_segment(struct simplex *s, double ret[static 3]) {
    double ab[3];
    subtract(s->p[1], s->p[0], ab);
    const double t = -dot(s->p[0], ab);
    const double length2 = dot(ab, ab);
    if (t <= 0.0 || !(length2 > 0.0)) {
        keep(s, (const int[]){0}, 1);
        memcpy(ret, s->p[0], sizeof s->p[0]);
    } else if (t >= length2) {
        keep(s, (const int[]){1}, 1);
        memcpy(ret, s->p[0], sizeof s->p[0]);
    } else {
        for (int i = 0; i < 3; i++) {
            ret[i] = s->p[0][i] + t / length2 * ab[i];
        }
    }
}

static void on_edge(struct simplex *s, int i, int j, double ret[static 3]) {
    keep(s, (const int[]){i, j}, 2);
    on_segment(s, ret);
}

/* Ericson 5.1.5 with the point at the origin: vertex, edge and face regions. */
static void on_triangle(struct simplex *s, double ret[static 3]) {
    double ab[3];
    double ac[3];
    subtract(s->p[1], s->p[0], ab);
    subtract(s->p[2], s->p[0], ac);
    const double d1 = -dot(ab, s->p[0]);
    const double d2 = -dot(ac, s->p[0]);
    const double d3 = -dot(ab, s->p[1]);
    const double d4 = -dot(ac, s->p[1]);
    const double d5 = -dot(ab, s->p[2]);
    const double d6 = -dot(ac, s->p[2]);
    const double vc = d1 * d4 - d3 * d2;
    const double vb = d5 * d2 - d1 * d6;
    const double va = d3 * d6 - d5 * d4;
    if ((d1 <= 0.0 && d2 <= 0.0) || (vc <= 0.0 && d1 >= 0.0 && d3 <= 0.0) ||
        (d3 >= 0.0 && d4 <= d3)) {
        on_edge(s, 0, 1, ret);
    } else if ((d6 >= 0.0 && d5 <= d6) || (vb <= 0.0 && d2 >= 0.0 && d6 <= 0.0)) {
        on_edge(s, 0, 2, ret);
    } else if (va <= 0.0 && d4 - d3 >= 0.0 && d5 - d6 >= 0.0) {
        on_edge(s, 1, 2, ret);
    } else {
        const double sum = va + vb + vc;
        for (int i = 0; i < 3; i++) {
            ret[i] = s->p[0][i] + (vb * ab[i] + vc * ac[i]) / sum;
        }
    }
}

/* Is the origin on the other side of face (a, b, c) than d, or in its plane? */
static bool is_beyond(const struct simplex *s, int a, int b, int c, int d) {
    double ab[3];
    double ac[3];
    double ad[3];
    double normal[3];
    subtract(s->p[b], s->p[a], ab);
    subtract(s->p[c], s->p[a], ac);
    subtract(s->p[d], s->p[a], ad);
    cross(ab, ac, normal);
    return -dot(s->p[a], normal) * dot(ad, normal) <= 0.0;
}

/* false: the origin lies inside. */
static bool on_tetrahedron(struct simplex *s, double ret[static 3]) {
    static const int FACES[4][4] = {{0, 1, 2, 3}, {0, 2, 3, 1}, {0, 3, 1, 2}, {1, 3, 2, 0}};
    double best = INFINITY;
    struct simplex best_simplex = *s;
    for (int f = 0; f < 4; f++) {
        if (!is_beyond(s, FACES[f][0], FACES[f][1], FACES[f][2], FACES[f][3])) {
            continue;
        }
        struct simplex face = *s;
        double point[3];
        keep(&face, FACES[f], 3);
        on_triangle(&face, point);
        if (dot(point, point) < best) {
            best = dot(point, point);
            best_simplex = face;
            memcpy(ret, point, sizeof point);
        }
    }
    *s = best_simplex;
    return best < INFINITY;
}

static bool nearest(struct simplex *s, double ret[static 3]) {
    switch (s->n) {
    case 1:
        memcpy(ret, s->p[0], sizeof s->p[0]);
        return true;
    case 2:
        on_segment(s, ret);
        return true;
    case 3:
        on_triangle(s, ret);
        return true;
    default:
        return on_tetrahedron(s, ret);
    }
}

/* ---- Overlap: the direction along which the least way parts them ---- */

/* How deep along the unit vector n (from a to b). */
static double depth_along(const struct convex *a, const struct convex *b,
                          const double n[static 3]) {
    double between[3];
    subtract(b->at, a->at, between);
    const double back[3] = {-n[0], -n[1], -n[2]};
    return convex_extent(a, n) + convex_extent(b, back) - dot(between, n);
}

static void try_direction(const struct convex *a, const struct convex *b, const double d[static 3],
                          struct convex_gap *best) {
    const double length = sqrt(dot(d, d));
    if (!(length > 1e-9)) {
        return;
    }
    for (int sign = -1; sign <= 1; sign += 2) {
        const double n[3] = {sign * d[0] / length, sign * d[1] / length, sign * d[2] / length};
        const double depth = depth_along(a, b, n);
        if (-depth > best->distance_m) {
            best->distance_m = -depth;
            memcpy(best->normal, n, sizeof n);
        }
    }
}

static struct convex_gap overlap(const struct convex *a, const struct convex *b) {
    struct convex_gap best = {.distance_m = -DBL_MAX};
    double between[3];
    subtract(b->at, a->at, between);
    try_direction(a, b, between, &best);
    for (int i = 0; i < 3; i++) {
        const double p[3] = {a->axes[0][i], a->axes[1][i], a->axes[2][i]};
        const double q[3] = {b->axes[0][i], b->axes[1][i], b->axes[2][i]};
        try_direction(a, b, p, &best);
        try_direction(a, b, q, &best);
        for (int j = 0; j < 3; j++) {
            const double r[3] = {b->axes[0][j], b->axes[1][j], b->axes[2][j]};
            double edge[3];
            cross(p, r, edge);
            try_direction(a, b, edge, &best);
        }
    }
    double step = 0.3;
    for (int round = 0; round < 12; round++, step *= 0.5) { /* round bodies: a local search */
        for (int i = 0; i < 6; i++) {
            double d[3] = {best.normal[0], best.normal[1], best.normal[2]};
            d[i / 2] += i % 2 ? step : -step;
            try_direction(a, b, d, &best);
        }
    }
    return best;
}

static bool has_point(const struct simplex *s, const double p[static 3]) {
    for (int i = 0; i < s->n; i++) {
        double between[3];
        subtract(s->p[i], p, between);
        if (dot(between, between) < 1e-30) { /* the same point again */
            return true;
        }
    }
    return false;
}

struct convex_gap convex_distance(const struct convex *a, const struct convex *b) {
    struct simplex simplex = {.n = 0};
    double v[3]; /* nearest point of b - a so far */
    subtract(b->at, a->at, v);
    double length2 = dot(v, v);
    for (int step = 0; step < MAX_STEPS && length2 > TOLERANCE_M * TOLERANCE_M; step++) {
        const double back[3] = {-v[0], -v[1], -v[2]};
        double pa[3];
        double pb[3];
        double w[3];
        convex_support(a, v, pa);
        convex_support(b, back, pb);
        subtract(pb, pa, w);
        const double length = sqrt(length2);
        /* v.w / |v| is a lower bound of the distance once v is a point of the difference */
        if (step > 0 && (length - dot(v, w) / length < TOLERANCE_M || has_point(&simplex, w))) {
            return (struct convex_gap){length, {v[0] / length, v[1] / length, v[2] / length}};
        }
        memcpy(simplex.p[simplex.n++], w, sizeof w);
        if (!nearest(&simplex, v)) {
            return overlap(a, b);
        }
        length2 = dot(v, v);
    }
    if (length2 <= TOLERANCE_M * TOLERANCE_M) {
        return overlap(a, b);
    }
    const double length = sqrt(length2);
    return (struct convex_gap){length, {v[0] / length, v[1] / length, v[2] / length}};
}
