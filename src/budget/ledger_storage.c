/* ledger_storage.c - the storage budget: bytes a night, nights until the disk is full, hours over
 * the link. Idea: a frame is its header and its pixels, each filled up to blocks of 2880 bytes
 * (FITS Standard 4.0, sec. 3.1); a night is as many as fit with the pause between two. */
#include <math.h>

#include "budget/ledger.h"
#include "power/power.h"

#define FITS_BLOCK_B 2880.0
#define HEADER_BLOCKS 2.0 /* up to 72 cards, what capture programs write (common practice) */
#define GB 1e9

struct desk {
    const struct nw_store *store;
    double frame_B, night_s, night_sigma_s, n_lights, n_lights_sigma;
    struct nw_ledger *ledger;
};

static double sigma_or(const struct nw_val *val, double share) {
    return isfinite(val->sigma) ? val->sigma : share * val->v;
}

double nw_storage_frame_B(const struct nw_setup *setup) {
    const struct nw_camera *const c = &setup->camera;
    const double bin = setup->binning.v;
    const double pixels = floor((double)c->width_px / bin) * floor((double)c->height_px / bin);
    const double bytes = c->bits.v > 8.0 ? 2.0 : 1.0;
    return FITS_BLOCK_B * (HEADER_BLOCKS + ceil(pixels * bytes / FITS_BLOCK_B));
}

static struct nw_ledger_line *add(const struct desk *desk, const char *id, const char *label,
                                  const char *unit) {
    struct nw_ledger_line *const line = nw_ledger_add(desk->ledger, id, label);
    line->is_summed = unit == NULL;
    line->unit = unit ? unit : desk->ledger->unit;
    line->provenance = NW_FROM_GIVEN;
    line->basis = "pixels x bytes in blocks of 2880 (FITS Standard 4.0)";
    nw_text_copy(line->why_null, sizeof line->why_null,
                 "the folder of a night tells it (its size, its number of files)");
    return line;
}

static void put_frames(const struct desk *desk) {
    const double each_GB = desk->frame_B * desk->store->packed.v / GB;
    struct nw_ledger_line *const lights = add(desk, "lights", "light frames", NULL);
    lights->predicted = desk->n_lights * each_GB;
    lights->predicted_sigma = desk->n_lights_sigma * each_GB;
    (void)snprintf(lights->detail, sizeof lights->detail, "%.0f frames of %.1f MB in %.1f h",
                   desk->n_lights, each_GB * 1e3, desk->night_s / 3600.0);
    struct nw_ledger_line *const others = add(desk, "calibration", "flats, darks, others", NULL);
    others->predicted = desk->store->calibration.v * each_GB;
    others->predicted_sigma = sigma_or(&desk->store->calibration, 0.3) * each_GB;
    others->provenance = desk->store->calibration.from;
}

static void put_beside(const struct desk *desk, const struct nw_usage *usage, double cycle_s) {
    struct nw_ledger *const l = desk->ledger;
    const double night_B = l->predicted * GB;
    const double share = l->predicted_sigma / l->predicted;
    const struct nw_val *const free_B = &desk->store->free_B;
    const struct nw_val *const link = &desk->store->link_B_s;
    if (free_B->from != NW_FROM_UNKNOWN) {
        struct nw_ledger_line *const nights = add(desk, "nights", "nights until full", "nights");
        nights->predicted = free_B->v / night_B;
        nights->predicted_sigma = nights->predicted * share;
        (void)snprintf(nights->detail, sizeof nights->detail, "%.0f days at %.0f nights a year",
                       365.25 * nights->predicted / usage->nights_a_year.v, usage->nights_a_year.v);
    }
    if (link->from != NW_FROM_UNKNOWN) {
        const double slow = sigma_or(link, 0.3) / link->v;
        struct nw_ledger_line *const hours = add(desk, "transfer", "over the link, a night", "h");
        hours->predicted = night_B / link->v / 3600.0;
        hours->predicted_sigma = hours->predicted * hypot(share, slow);
        hours->allowed = 24.0;
        struct nw_ledger_line *const one = add(desk, "frame", "over the link, a frame", "s");
        one->predicted = desk->frame_B * desk->store->packed.v / link->v;
        one->predicted_sigma = one->predicted * slow;
        one->allowed = cycle_s;
        hours->basis = one->basis = "bytes over storage.link";
    }
}

static void tell(const struct desk *desk, const struct nw_usage *usage) {
    struct nw_ledger *const l = desk->ledger;
    const struct nw_val *const free_B = &desk->store->free_B;
    const struct nw_val *const link = &desk->store->link_B_s;
    size_t at = (size_t)snprintf(l->verdict, sizeof l->verdict,
                                 "%.1f +- %.1f GB a night (%.0f "
                                 "frames)",
                                 l->predicted, l->predicted_sigma, desk->n_lights);
    if (free_B->from != NW_FROM_UNKNOWN) {
        const double nights = free_B->v / GB / l->predicted;
        at += (size_t)snprintf(l->verdict + at, sizeof l->verdict - at,
                               "; full after %.0f nights, %.0f days at %.0f nights a year", nights,
                               365.25 * nights / usage->nights_a_year.v, usage->nights_a_year.v);
        l->is_over = l->is_over || nights < 1.0;
    }
    if (link->from != NW_FROM_UNKNOWN && at < sizeof l->verdict) {
        const double hours = l->predicted * GB / link->v / 3600.0;
        (void)snprintf(l->verdict + at, sizeof l->verdict - at, "; %.1f h over the link", hours);
        l->is_over = l->is_over || hours > 24.0;
    }
    if (free_B->from == NW_FROM_UNKNOWN) {
        struct nw_ledger_unknown *const u = nw_ledger_add_unknown(l);
        nw_text_copy(u->what, sizeof u->what, "when the disk is full");
        nw_text_copy(u->trial, sizeof u->trial, "look how much is free, write storage.free");
        nw_text_copy(u->settles_to, sizeof u->settles_to, "the night");
    }
    if (desk->store->packed.v >= 1.0) {
        struct nw_ledger_unknown *const u = nw_ledger_add_unknown(l);
        nw_text_copy(u->what, sizeof u->what, "what lossless compression would save here");
        nw_text_copy(u->trial, sizeof u->trial, "compress ten frames of a night");
        nw_text_copy(u->settles_to, sizeof u->settles_to, "storage.packed to 2 %");
    }
}

enum nw_status nw_ledger_storage(const struct nw_rig *rig, const struct nw_setup *setup,
                                 struct nw_ledger *ret, struct nw_err *err) {
    const struct nw_wiring *const w = rig->wiring;
    if (!w->has_store) {
        return nw_err_set(err, NW_NOTFOUND,
                          "%s: no section storage (nightwright rig --keys "
                          "explains storage.*)",
                          rig->path);
    }
    const bool is_said = w->usage.night_s.from != NW_FROM_UNKNOWN;
    struct desk desk = {.store = &w->store, .frame_B = nw_storage_frame_B(setup), .ledger = ret};
    desk.night_s = is_said ? w->usage.night_s.v : nw_power_mean_dark_s(rig->site.latitude_rad.v);
    desk.night_sigma_s = is_said ? sigma_or(&w->usage.night_s, 0.05) : 0.05 * desk.night_s;
    const double cycle_s = setup->sub_length_s.v + w->store.pause_s.v;
    desk.n_lights = desk.night_s / cycle_s;
    desk.n_lights_sigma = desk.n_lights * hypot(desk.night_sigma_s / desk.night_s,
                                                sigma_or(&w->store.pause_s, 0.3) / cycle_s);
    ret->allowed = w->store.free_B.from == NW_FROM_UNKNOWN ? NAN : w->store.free_B.v / GB;
    put_frames(&desk);
    nw_ledger_sum(ret);
    put_beside(&desk, &w->usage, cycle_s);
    nw_text_copy(ret->aside, sizeof ret->aside, "one night; allowed: what is free");
    nw_text_copy(ret->sum_label, sizeof ret->sum_label, "a night");
    nw_text_copy(ret->why_null, sizeof ret->why_null,
                 "the folder of a night tells it (its size, its number of files)");
    tell(&desk, &w->usage);
    return NW_OK;
}

void nw_ledger_storage_measured(struct nw_ledger *ledger, size_t n_frames, double bytes) {
    for (size_t i = 0; i < ledger->n_lines; i++) {
        struct nw_ledger_line *const line = &ledger->lines[i];
        if (strcmp(line->id, "lights") == 0) {
            line->measured = bytes / GB;
            line->measured_sigma = 0.0;
            line->why_null[0] = '\0';
        }
    }
    const size_t at = strlen(ledger->verdict);
    (void)snprintf(ledger->verdict + at, sizeof ledger->verdict - at,
                   "; the %zu frames given have %.2f MB each", n_frames,
                   bytes / (double)n_frames / 1e6);
}
