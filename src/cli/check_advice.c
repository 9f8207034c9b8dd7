/* check_advice.c - did it help? Advice of earlier looks beside the nights since.
 * A change was made when the rig file has another value at each of its keys than it had when the
 * advice was given (a key that had the advised value already need not move), or when an entry of
 * the owner names it. The nights from the first that began after it are set against those before
 * (apart.h, the term CHANGE). */
#include "cli/check_advice.h"

#include <math.h>
#include <stdlib.h>
#include <strings.h>

enum { NIGHTS_BEFORE = 20 };

struct look {
    const struct check_advice_of *of;
    int64_t version;     /* of the rig file as it is; 0: not known */
    char *text;          /* of it */
    double text_since_s; /* it was last changed on the disk */
    struct nw_book_change *entries;
    size_t n_entries;
    struct nw_book_night *nights;
    size_t n_nights;
};

void check_advised_done(struct check_advised *advised) {
    free(advised->items);
    *advised = (struct check_advised){.n = 0};
}

static void look_done(struct look *look) {
    free(look->text);
    free(look->entries);
    free(look->nights);
}

static enum nw_status open_look(const struct check_advice_of *of, struct look *look,
                                struct nw_err *err) {
    const struct nw_book_add_opts opts = {
        .now_utc_s = cli_now_utc_s(), .program_version = NW_VERSION, .longitude_rad = NAN};
    int64_t size = 0;
    int64_t mtime_ns = 0;
    *look = (struct look){.of = of, .text_since_s = NAN};
    enum nw_status status = nw_book_rig_version(of->book, of->rig_path, &opts, &look->version, err);
    if (status == NW_OK && look->version > 0) {
        status = nw_book_rig_text(of->book, look->version, &look->text, NULL, err);
    }
    if (status == NW_OK) {
        status = nw_book_changes(of->book, NULL, NULL, &look->entries, &look->n_entries, err);
    }
    if (status == NW_OK) {
        status = nw_book_nights(of->book, NULL, NULL, &look->nights, &look->n_nights, err);
    }
    if (nw_file_stat(of->rig_path, &size, &mtime_ns, NULL) == NW_OK) {
        look->text_since_s = 1e-9 * (double)mtime_ns;
    }
    return status;
}

/* ---- Was it done? --------------------------------------------------------------------------- */

bool check_holds(const char *text, const char *word) {
    const size_t n = strlen(word);
    for (; n > 0 && *text; text++) {
        if (strncasecmp(text, word, n) == 0) {
            return true;
        }
    }
    return false;
}

/* The first night with frames that began at a moment or later; NULL: none yet. */
static const struct nw_book_night *night_from(const struct look *look, double t_s,
                                              const char *date) {
    for (size_t i = 0; i < look->n_nights; i++) {
        const struct nw_book_night *const night = &look->nights[i];
        if (night->n_lights > 0 &&
            (date ? strcmp(night->date, date) >= 0 : night->t_first_s >= t_s)) {
            return night;
        }
    }
    return NULL;
}

struct done {
    bool is_done;
    const struct nw_book_night *since; /* NULL: no night yet */
    char how[300];                     /* of one that is not done: what of it is */
};

/* An entry of the owner that names it, no older than the advice. */
static bool done_by_entry(const struct look *look, const struct nw_book_advice *advice,
                          struct done *ret) {
    for (size_t i = 0; i < look->n_entries; i++) {
        const struct nw_book_change *const entry = &look->entries[i];
        if (entry->is_owners && strcmp(entry->date, advice->date) >= 0 &&
            (check_holds(entry->what, advice->what) || check_holds(entry->note, advice->what))) {
            ret->is_done = true;
            ret->since = night_from(look, NAN, entry->date);
            (void)snprintf(ret->how, sizeof ret->how, "your entry of %s", entry->date);
            return true;
        }
    }
    return false;
}

enum { KEYS_MOST = 16 };
struct keys {
    char paths[KEYS_MOST][96], advised[KEYS_MOST][80];
    size_t n;
};

/* A value as it stands in a rig file: without units, notes and errors. */
static void plain_value(const char *written, char *to, size_t size) {
    char wrapped[400];
    struct nw_err none = {0};
    (void)snprintf(wrapped, sizeof wrapped, "v: %s\n", written);
    if (nw_rig_value_at("advice", wrapped, strlen(wrapped), "v", to, size, &none) != NW_OK) {
        nw_text_copy(to, size, written);
    }
}

/* All that the change sets, as the rig file of then has it; else the one key that was kept. */
static void keys_of(const struct nw_book_advice *advice, const char *then, struct keys *ret) {
    struct nw_rig *rig = NULL;
    struct nw_err none = {0};
    *ret = (struct keys){.n = 0};
    if (nw_rig_parse("then", then, strlen(then), NULL, 0, &rig, &none) == NW_OK) {
        const struct nw_setup *const setup = nw_rig_setup(rig, advice->setup);
        for (size_t i = 0; setup && i < setup->n_changes; i++) {
            const struct nw_change *const change = &setup->changes[i];
            for (size_t k = 0; strcmp(change->name, advice->what) == 0 && k < change->n_settings &&
                               ret->n < KEYS_MOST;
                 k++) {
                nw_text_copy(ret->paths[ret->n], sizeof ret->paths[0], change->settings[k].path);
                plain_value(change->settings[k].value, ret->advised[ret->n++],
                            sizeof ret->advised[0]);
            }
        }
    }
    nw_rig_free(rig);
    if (ret->n == 0 && advice->path[0] != '\0') {
        nw_text_copy(ret->paths[0], sizeof ret->paths[0], advice->path);
        nw_text_copy(ret->advised[0], sizeof ret->advised[0], advice->new_value);
        ret->n = 1;
    }
}

/* When the key came to have this value: the book took the first such rig file, or the file was
 * changed on the disk before that. */
static double since_when(const struct look *look, const struct nw_book_advice *advice,
                         const char *path, const char *is) {
    double since_s = look->text_since_s;
    for (int64_t version = advice->rig_version + 1; version <= look->version; version++) {
        char *text = NULL;
        char value[80];
        double added_s = NAN;
        struct nw_err none = {0};
        if (nw_book_rig_text(look->of->book, version, &text, &added_s, &none) == NW_OK && text &&
            nw_rig_value_at("then", text, strlen(text), path, value, sizeof value, &none) ==
                NW_OK &&
            strcmp(value, is) == 0) {
            since_s = fmin(since_s, added_s);
        }
        free(text);
    }
    return since_s;
}

/* Another value at each of its keys: since the last of them. */
static bool done_in_rig(const struct look *look, const struct nw_book_advice *advice,
                        const char *then, struct done *ret) {
    struct keys keys;
    const char *still = NULL; /* a key that is as it was */
    double since_s = -INFINITY;
    size_t n_moved = 0;
    if (!then || !look->text || advice->rig_version == look->version) {
        return false;
    }
    keys_of(advice, then, &keys);
    for (size_t i = 0; i < keys.n; i++) {
        char was[80];
        char is[80];
        struct nw_err none = {0};
        if (nw_rig_value_at("then", then, strlen(then), keys.paths[i], was, sizeof was, &none) !=
                NW_OK ||
            nw_rig_value_at("now", look->text, strlen(look->text), keys.paths[i], is, sizeof is,
                            &none) != NW_OK) {
            return false;
        }
        still = strcmp(was, is) == 0 && strcmp(was, keys.advised[i]) != 0 ? keys.paths[i] : still;
        if (strcmp(was, is) != 0 && n_moved++ == 0) {
            const bool is_as_advised = strcmp(is, keys.advised[i]) == 0;
            (void)snprintf(ret->how, sizeof ret->how,
                           "the rig file has %.40s now, had %.40s%s%.40s", is[0] ? is : "nothing",
                           was[0] ? was : "nothing", is_as_advised ? "" : "; advised was ",
                           is_as_advised ? "" : keys.advised[i]);
        }
        if (strcmp(was, is) != 0) {
            since_s = fmax(since_s, since_when(look, advice, keys.paths[i], is));
        }
    }
    if (still && n_moved > 0) {
        const size_t len = strlen(ret->how);
        (void)snprintf(
            ret->how + len, sizeof ret->how - len,
            "; but %.60s is as it was. Is it done all the same? An entry of yours says so", still);
        return false;
    }
    if (n_moved > 1) {
        const size_t len = strlen(ret->how);
        (void)snprintf(ret->how + len, sizeof ret->how - len, " (and %zu more keys of it)",
                       n_moved - 1);
    }
    ret->is_done = n_moved > 0;
    ret->since = ret->is_done ? night_from(look, since_s, NULL) : NULL;
    return ret->is_done;
}

static enum nw_status find_done(const struct look *look, const struct nw_book_advice *advice,
                                struct done *ret, struct nw_err *err) {
    char *then = NULL;
    *ret = (struct done){.since = NULL};
    const enum nw_status status =
        advice->rig_version > 0
            ? nw_book_rig_text(look->of->book, advice->rig_version, &then, NULL, err)
            : NW_OK;
    if (status == NW_OK && !done_by_entry(look, advice, ret)) {
        (void)done_in_rig(look, advice, then, ret);
    }
    free(then);
    return status;
}

/* ---- Did it help? --------------------------------------------------------------------------- */

static void range_of(const struct look *look, const char *since, char *to, size_t size) {
    size_t at = 0;
    while (at < look->n_nights && strcmp(look->nights[at].date, since) < 0) {
        at++;
    }
    const size_t from = at > NIGHTS_BEFORE ? at - NIGHTS_BEFORE : 0;
    (void)snprintf(to, size, "%s..", look->nights[from].date);
}

static enum nw_star_line_id line_of(const char *name) {
    for (int k = 0; k < NW_STAR_N_LINES; k++) {
        if (strcmp(nw_star_line_name((enum nw_star_line_id)k), name) == 0) {
            return (enum nw_star_line_id)k;
        }
    }
    return NW_STAR_N_LINES;
}

/* What the nights say of it, in words; numbers into the row. */
static void tell(const struct check_apart *nights, const struct done *done,
                 struct nw_book_advice *a) {
    struct nw_change change = {.n_settings = 0};
    nw_text_copy(change.name, sizeof change.name, a->what);
    const struct nw_star_advice foretold = {.change = &change,
                                            .total_now_rad = a->before_rad,
                                            .total_then_rad = a->predicted_rad,
                                            .difference_sigma_rad = a->sigma_rad};
    const struct nw_change_report report = {.apart = nights->apart,
                                            .date = done->since->date,
                                            .n_before = nights->n_before,
                                            .n_after = nights->n_after,
                                            .foretold = &foretold};
    static const enum nw_book_outcome OUTCOMES[] = {[NW_CHANGE_CANNOT_TELL] = NW_BOOK_CANNOT_TELL,
                                                    [NW_CHANGE_HELD] = NW_BOOK_HELD,
                                                    [NW_CHANGE_REFUTED] = NW_BOOK_REFUTED};
    a->outcome = OUTCOMES[nw_change_outcome_of(&report)];
    if (nights->apart->why_null[0]) {
        (void)snprintf(a->outcome_text, sizeof a->outcome_text, "%s", nights->apart->why_null);
        return;
    }
    a->came_rad = nw_change_width_rad(&report, &a->came_sigma_rad);
    const double needed = nw_change_nights_needed(&report);
    char more[48] = "";
    if (a->outcome == NW_BOOK_CANNOT_TELL && needed > 0.0 && isfinite(needed)) {
        (void)snprintf(more, sizeof more, "; about %.0f more nights would tell", needed);
    }
    (void)snprintf(a->outcome_text, sizeof a->outcome_text,
                   "Foretold %+.2f +- %.2f arcsec, came %+.2f +- %.2f (%zu nights before, %zu "
                   "since%s). Known by: %s",
                   (a->predicted_rad - a->before_rad) * NW_ARCSEC_PER_RAD,
                   a->sigma_rad * NW_ARCSEC_PER_RAD, a->came_rad * NW_ARCSEC_PER_RAD,
                   a->came_sigma_rad * NW_ARCSEC_PER_RAD, nights->n_before, nights->n_after, more,
                   done->how);
}

static enum nw_status judge(const struct look *look, const struct done *done,
                            struct nw_book_advice *a, struct nw_err *err) {
    struct check_apart nights = {.apart = NULL};
    char range[NW_BOOK_DATE + 4];
    a->outcome = NW_BOOK_CANNOT_TELL;
    if (!done->since) {
        (void)snprintf(a->outcome_text, sizeof a->outcome_text,
                       "No night of light frames since. Known by: %s", done->how);
        return NW_OK;
    }
    range_of(look, done->since->date, range, sizeof range);
    const struct check_nights_opts opts = {.range = range,
                                           .changed_on = done->since->date,
                                           .has_own_line = true,
                                           .own_line = line_of(a->line)};
    struct nw_err why = {0};
    const enum nw_status status =
        check_nights(look->of->book, &opts, look->of->rig, look->of->setup, &nights, &why);
    if (status == NW_OK) {
        tell(&nights, done, a);
    } else {
        (void)snprintf(a->outcome_text, sizeof a->outcome_text, "%.120s. Known by: %s", why.text,
                       done->how);
    }
    check_apart_done(&nights);
    return status == NW_NOMEM ? nw_err_set(err, NW_NOMEM, "%s", why.text) : NW_OK;
}

/* Two changes with the same nights on either side: neither can be told alone. */
static const struct nw_book_advice *twin(const struct check_advised *all, const struct done *done,
                                         size_t at) {
    for (size_t i = 0; i < all->n; i++) {
        if (i != at && done[i].is_done && done[at].since && done[i].since == done[at].since) {
            return &all->items[i];
        }
    }
    return NULL;
}

static bool is_final(const struct nw_book_advice *a) {
    return a->outcome == NW_BOOK_HELD || a->outcome == NW_BOOK_REFUTED;
}

static enum nw_status judge_all(const struct look *look, struct check_advised *all,
                                struct nw_err *err) {
    enum nw_status status = NW_OK;
    struct done *done = nw_calloc(all->n + 1, sizeof *done);
    if (!done) {
        return nw_err_set(err, NW_NOMEM, "%zu pieces of advice", all->n);
    }
    for (size_t i = 0; i < all->n && status == NW_OK; i++) {
        status = find_done(look, &all->items[i], &done[i], err);
    }
    for (size_t i = 0; i < all->n && status == NW_OK; i++) {
        struct nw_book_advice *const a = &all->items[i];
        if (!done[i].is_done && a->outcome == NW_BOOK_OPEN && done[i].how[0] != '\0') {
            (void)snprintf(a->outcome_text, sizeof a->outcome_text, "In part: %s", done[i].how);
        }
        if (!done[i].is_done || is_final(a)) {
            continue;
        }
        const struct nw_book_advice *const other = twin(all, done, i);
        if (other) {
            a->outcome = NW_BOOK_CANNOT_TELL;
            (void)snprintf(a->outcome_text, sizeof a->outcome_text,
                           "Made together with '%s': the nights cannot tell them apart. Known by: "
                           "%s",
                           other->what, done[i].how);
        } else {
            status = judge(look, &done[i], a, err);
        }
        if (status == NW_OK) {
            status = nw_book_judge_advice(look->of->book, a, cli_now_utc_s(), err);
        }
    }
    free(done);
    return status;
}

/* The last word on each change; a judged one stays. */
static void last_words(struct check_advised *all) {
    size_t n = 0;
    for (size_t i = 0; i < all->n; i++) {
        size_t at = 0;
        while (at < n && strcmp(all->items[at].what, all->items[i].what) != 0) {
            at++;
        }
        if (at == n) {
            all->items[n++] = all->items[i];
        } else if (all->items[at].outcome == NW_BOOK_OPEN) {
            all->items[at] = all->items[i];
        }
    }
    all->n = n;
}

/* ---- What is advised now -------------------------------------------------------------------- */

static enum nw_status keep(const struct look *look, const struct nw_star_advice *from,
                           struct nw_err *err) {
    struct nw_book_advice a = {.made_utc_s = cli_now_utc_s(),
                               .rig_version = look->version,
                               .before_rad = from->total_now_rad,
                               .predicted_rad = from->total_then_rad,
                               .sigma_rad = from->difference_sigma_rad};
    const double fall = from->total_now_rad - from->total_then_rad;
    a.refuted_below_rad = fmax(0.0, fall - 2.0 * from->difference_sigma_rad);
    nw_text_copy(a.date, sizeof a.date, look->of->date);
    nw_text_copy(a.rig_name, sizeof a.rig_name, look->of->rig->name);
    nw_text_copy(a.setup, sizeof a.setup, look->of->setup->name);
    nw_text_copy(a.filter, sizeof a.filter, look->of->setup->filter.name);
    nw_text_copy(a.what, sizeof a.what, from->change->name);
    nw_text_copy(a.line, sizeof a.line, nw_star_line_name(from->line));
    nw_text_copy(a.text, sizeof a.text, from->prediction);
    if (from->change->n_settings > 0) {
        const struct nw_setting *const setting = &from->change->settings[0];
        struct nw_err none = {0};
        nw_text_copy(a.path, sizeof a.path, setting->path);
        plain_value(setting->value, a.new_value, sizeof a.new_value);
        if (look->text && nw_rig_value_at("now", look->text, strlen(look->text), a.path,
                                          a.old_value, sizeof a.old_value, &none) != NW_OK) {
            a.old_value[0] = '\0';
        }
    }
    return nw_book_put_advice(look->of->book, &a, err);
}

enum nw_status check_advice(const struct check_advice_of *of, const struct nw_star_budget *budget,
                            struct check_advised *ret, struct nw_err *err) {
    struct look look;
    enum nw_status status = open_look(of, &look, err);
    if (status == NW_OK) {
        status =
            nw_book_advice(of->book, of->rig->name, of->setup->name, &ret->items, &ret->n, err);
    }
    if (status == NW_OK) {
        last_words(ret);
        status = judge_all(&look, ret, err);
    }
    for (size_t i = 0; i < budget->n_advice && status == NW_OK; i++) {
        status = keep(&look, &budget->advice[i], err);
    }
    look_done(&look);
    return status;
}
