/* blocks.c - a stretch of one target as blocks of one filter and one tube side, with their subs.
 * Idea: filters are ranked by how much they suffer from the bright part of the stretch; two orders
 * are tried, the most sensitive first and last, each filter getting the time that its goal's share
 * asks for; the better one stays. The stretch is cut at the meridian where a flip is needed. */
#include <math.h>

#include "night/night_internal.h"

enum { LEAST_SLOTS = 4 };

struct piece {
    size_t goal, from, to; /* slots */
};
struct stretch {
    size_t target, from, to;
    const struct night_table *table;
    const struct nw_target *wish;
    size_t flip; /* slot of the flip within it; SIZE_MAX: none */
    bool begins_east;
};

static double sum_worth(const struct stretch *s, size_t goal, size_t from, size_t to) {
    double sum = 0.0;
    for (size_t k = from; k < to; k++) {
        sum += (double)s->table->worth[goal][k];
    }
    return sum;
}

/* Pieces by a given order of the goals; returns the worth of all. Every slot to somebody; a piece
 * shorter than 20 min goes to its neighbour. */
static double cut_by(const struct stretch *s, const size_t *goals, size_t n, struct piece *ret,
                     size_t *ret_n) {
    double need = 0.0;
    double worth = 0.0;
    double at = (double)s->from;
    *ret_n = 0;
    for (size_t i = 0; i < n; i++) {
        need += s->table->need_s[goals[i]];
    }
    const double slots = (double)(s->to - s->from);
    /* more time than the goals want: they are stretched over it, nothing is left idle */
    for (size_t i = 0; i < n; i++) {
        const size_t from = *ret_n ? ret[*ret_n - 1].to : s->from;
        at += slots * s->table->need_s[goals[i]] / need;
        const size_t to = i + 1 == n ? s->to : (size_t)lround(at);
        if (to >= from + LEAST_SLOTS || (i + 1 == n && *ret_n == 0)) {
            ret[(*ret_n)++] = (struct piece){goals[i], from, to};
            worth += sum_worth(s, goals[i], from, to);
        } else if (i + 1 == n) {
            ret[*ret_n - 1].to = s->to;
        }
    }
    return worth;
}

/* Worth at the brightest over worth at the best slot of the stretch. */
static double steadiness(const struct stretch *s, size_t goal) {
    double low = INFINITY;
    double high = 0.0;
    for (size_t k = s->from; k < s->to; k++) {
        low = fmin(low, (double)s->table->worth[goal][k]);
        high = fmax(high, (double)s->table->worth[goal][k]);
    }
    return high > 0.0 ? low / high : 0.0;
}

static size_t cut(const struct stretch *s, struct piece ret[NW_MAX_GOALS]) {
    size_t goals[NW_MAX_GOALS];
    size_t n = 0;
    for (size_t g = 0; g < s->wish->n_goals; g++) {
        if (s->table->need_s[g] > 0.0 && sum_worth(s, g, s->from, s->to) > 0.0) {
            size_t at = n++;
            for (; at > 0 && steadiness(s, goals[at - 1]) > steadiness(s, g); at--) {
                goals[at] = goals[at - 1];
            }
            goals[at] = g;
        }
    }
    if (n == 0) {
        return 0;
    }
    size_t back[NW_MAX_GOALS];
    for (size_t i = 0; i < n; i++) {
        back[i] = goals[n - 1 - i];
    }
    struct piece other[NW_MAX_GOALS];
    size_t n_ret = 0;
    size_t n_other = 0;
    const double there = cut_by(s, goals, n, ret, &n_ret);
    if (cut_by(s, back, n, other, &n_other) > there) {
        memcpy(ret, other, n_other * sizeof *ret);
        n_ret = n_other;
    }
    return n_ret;
}

/* Subs that fit, with what goes off for reading out, dithers and focus runs. */
static void fill_subs(const struct nw_night_input *in, const struct stretch *s,
                      const struct nw_filter *filter, struct nw_night_block *b) {
    const struct nw_night_habits *const h = &in->targets->habits;
    double sky_nl = 0.0;
    size_t n = 0;
    for (size_t k = s->from; k < s->to; k++) {
        sky_nl += s->table->sky_nl[k];
        n++;
    }
    sky_nl /= (double)(n ? n : 1);
    const struct nw_night_light light = nw_night_light_of(in, filter, s->wish, sky_nl);
    b->sky_mag = nw_sky_mag_of_nl(sky_nl);
    b->exposure_s = light.sub_s;
    b->read_loss = light.read_loss;
    const double span_s = b->end_s - b->start_s;
    b->focus_runs = 1 + (size_t)(span_s / fmax(in->focus_interval_s, 300.0));
    const double each_s = light.sub_s + h->readout_s + h->dither_s / h->dither_every;
    const double left_s = span_s - (double)b->focus_runs * in->focus_run_s;
    b->subs = left_s > each_s ? (size_t)(left_s / each_s) : 0;
    b->dithers = (size_t)((double)b->subs / h->dither_every);
}

/* A piece begins and ends with slots that its own filter can use. */
static struct stretch trim(const struct stretch *s, size_t goal) {
    struct stretch out = *s;
    while (out.from < out.to && !(s->table->worth[goal][out.from] > 0.0F)) {
        out.from++;
    }
    while (out.to > out.from && !(s->table->worth[goal][out.to - 1] > 0.0F)) {
        out.to--;
    }
    return out;
}

static void add_block(const struct nw_night_input *in, const struct stretch *whole, size_t goal,
                      bool is_flipped, struct nw_plan *plan) {
    const struct stretch trimmed = trim(whole, goal);
    const struct stretch *const s = &trimmed;
    if (plan->n_blocks == NW_NIGHT_BLOCKS || s->to <= s->from) {
        return;
    }
    struct nw_night_block b = {.target = s->target, .filter = s->wish->goals[goal].filter};
    const size_t last = s->to - 1;
    b.start_s = plan->slot0_s + (double)s->from * NW_SLOT_s;
    b.end_s = plan->slot0_s + (double)s->to * NW_SLOT_s;
    b.flip = is_flipped;
    b.start_s += is_flipped ? fmin(in->targets->habits.flip_s, b.end_s - b.start_s) : 0.0;
    b.altitude_start_rad = s->table->altitude_rad[s->from];
    b.altitude_end_rad = s->table->altitude_rad[last];
    const bool is_east = s->begins_east || (s->flip != SIZE_MAX && s->from >= s->flip);
    b.side = is_east ? NW_SIDE_EAST : NW_SIDE_WEST;
    fill_subs(in, s, night_filter(in->setup, b.filter), &b);
    plan->focus_s += (double)b.focus_runs * in->focus_run_s;
    plan->flips_s += is_flipped ? in->targets->habits.flip_s : 0.0;
    const double scale = b.subs ? (double)b.subs * b.exposure_s : 0.0;
    plan->targets[s->target].given_s +=
        scale * sum_worth(s, goal, s->from, s->to) / (double)(s->to - s->from);
    plan->blocks[plan->n_blocks++] = b;
}

/* The slot at which a stretch needs a flip, or SIZE_MAX: the tube may stay where it is when it is
 * free of contact up to the end, and that is within the hour (common practice, no source). */
enum { PAST_SLOTS = 12 };
static size_t flip_of(const struct stretch *s) {
    const size_t at = s->table->flip_slot;
    if (at == SIZE_MAX || at <= s->from || at >= s->to) {
        return SIZE_MAX;
    }
    for (size_t k = at; k < s->to; k++) {
        if (k >= at + PAST_SLOTS || !s->table->west_stays[k]) {
            return at;
        }
    }
    return SIZE_MAX;
}

void night_blocks(const struct nw_night_input *in, const struct night_table *tables,
                  struct nw_plan *plan) {
    for (size_t i = 0; i < plan->n_order; i++) {
        struct stretch s = {.target = plan->order[i],
                            .from = (size_t)lround((plan->from_s[i] - plan->slot0_s) / NW_SLOT_s),
                            .to = (size_t)lround((plan->to_s[i] - plan->slot0_s) / NW_SLOT_s),
                            .table = &tables[plan->order[i]],
                            .wish = &in->targets->items[plan->order[i]]};
        struct piece pieces[NW_MAX_GOALS];
        const size_t n = cut(&s, pieces);
        const size_t flip = flip_of(&s);
        s.flip = flip;
        s.begins_east = s.table->ha_rad[s.from] >= 0.0;
        for (size_t k = 0; k < n; k++) {
            const size_t from = pieces[k].from;
            const size_t to = pieces[k].to;
            const bool is_cut = flip != SIZE_MAX && flip > from && flip < to;
            struct stretch part = s;
            part.from = from;
            part.to = is_cut ? flip : to;
            add_block(in, &part, pieces[k].goal, flip == from, plan);
            if (is_cut) {
                part.from = flip;
                part.to = to;
                add_block(in, &part, pieces[k].goal, true, plan);
            }
        }
    }
}

void night_turns(const struct nw_night_input *in, struct nw_plan *plan) {
    double angle = in->setup->camera_angle_rad.v;
    for (size_t i = 0; i < plan->n_order; i++) {
        const double wanted = in->targets->items[plan->order[i]].rotation_rad;
        struct nw_night_turn *const turn = &plan->turns[plan->n_turns++];
        *turn = (struct nw_night_turn){.target = plan->order[i], .angle_rad = wanted};
        if (isfinite(wanted) && isfinite(angle)) {
            /* a frame turned by half a turn covers the same sky */
            turn->turn_rad = remainder(wanted - angle, NW_PI);
            angle += turn->turn_rad;
            turn->angle_rad = angle;
        } else if (isfinite(wanted)) {
            turn->turn_rad = NAN;
            angle = wanted;
        } else {
            turn->angle_rad = angle;
        }
        turn->rim_m = 0.5 * in->targets->habits.rim_m * fabs(turn->turn_rad);
    }
}
