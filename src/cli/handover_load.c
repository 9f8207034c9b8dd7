/* handover_load.c - frames of a folder, a night or a target of the book, for `handover`. */
#include "cli/handover_load.h"

#include <math.h>

#include "book/book.h"

static enum nw_status add_from_book(const struct cli_args *args, const char *what,
                                    struct nw_paths *ret, struct nw_err *err) {
    char path[CLI_MAX_PATH];
    struct nw_book *book = NULL;
    enum nw_status status = cli_book_path(args, false, path, err);
    status = status == NW_OK ? nw_book_open(path, NW_BOOK_READ, &book, err) : status;
    if (status != NW_OK) {
        return nw_err_at(err, status, "'%.80s' is no file or folder, and in the book", what);
    }
    status = nw_book_paths(book, what, ret, err);
    nw_book_close(book);
    return status;
}

static enum nw_status find_paths(const struct cli_args *args, struct cli_handover *w,
                                 struct nw_err *err) {
    enum nw_status status = NW_OK;
    for (size_t i = 0; i < cli_n_args(args) && status == NW_OK; i++) {
        const char *const what = cli_arg(args, i);
        status = nw_file_is_there(what) ? cli_frame_paths(&what, 1, &w->paths, err)
                                        : add_from_book(args, what, &w->paths, err);
    }
    size_t n = 0;
    const char *const *const more = cli_texts(args, "calibration", &n);
    status = status == NW_OK && n > 0 ? cli_frame_paths(more, n, &w->paths, err) : status;
    const char *const *const masters = cli_texts(args, "master", &n);
    status = status == NW_OK && n > 0 ? cli_frame_paths(masters, n, &w->masters, err) : status;
    for (size_t i = 0; i < w->masters.n && status == NW_OK;
         i++) { /* before the subs are measured */
        const struct nw_frame_opts header = {.header_only = true};
        struct nw_frame *frame = NULL;
        status = nw_frame_read(w->masters.items[i], &header, &frame, err);
        nw_frame_free(frame);
    }
    return status;
}

/* A master beside its subs is no sub. */
static bool is_master(const struct cli_handover *w, const char *path) {
    for (size_t i = 0; i < w->masters.n; i++) {
        if (strcmp(w->masters.items[i], path) == 0) {
            return true;
        }
    }
    return false;
}

enum nw_status cli_handover_headers(struct cli_handover *w, struct nw_err *err) {
    const struct nw_frame_opts opts = {.header_only = true};
    const size_t n = w->paths.n;
    w->headers = nw_calloc(n + 1, sizeof(void *));
    w->subs = nw_calloc(n + 1, sizeof *w->subs);
    w->frames = nw_calloc(n + 1, sizeof *w->frames);
    if (!w->headers || !w->subs || !w->frames) {
        return nw_err_set(err, NW_NOMEM, "%zu frames", n);
    }
    for (size_t i = 0; i < n; i++) {
        struct nw_err why = {0};
        const char *const path = w->paths.items[i];
        if (is_master(w, path)) {
            continue;
        }
        if (nw_frame_read(path, &opts, &w->headers[i], &why) != NW_OK) {
            cli_warn("%s", why.text);
            w->n_unreadable++;
            continue;
        }
        const struct nw_frame *const f = w->headers[i];
        const enum nw_frame_use use = nw_frame_use_of(&f->facts);
        if (use == NW_USE_LIGHT) {
            w->subs[w->n_subs++] = (struct nw_hand_sub){.path = path,
                                                        .facts = &f->facts,
                                                        .width_px = f->width_px,
                                                        .height_px = f->height_px};
        } else if (use != NW_USE_OTHER) {
            w->frames[w->n_frames++] = (struct nw_hand_calibration){.path = path,
                                                                    .facts = &f->facts,
                                                                    .use = use,
                                                                    .width_px = f->width_px,
                                                                    .height_px = f->height_px};
        }
    }
    return NW_OK;
}

static enum nw_status measure(struct cli_handover *w, struct nw_err *err) {
    const struct nw_series_opts opts = {.channel = NW_CHANNEL_MONO, /* all colours */
                                        .pattern_if_unsaid = w->pattern,
                                        .measure = {.max_stars = 3000, .fit_stars = 300}};
    const char **const paths = nw_calloc(w->n_subs + 1, sizeof *paths);
    if (!paths) {
        return nw_err_set(err, NW_NOMEM, "%zu subs", w->n_subs);
    }
    for (size_t i = 0; i < w->n_subs; i++) {
        paths[i] = w->subs[i].path;
    }
    struct cli_progress bar;
    const struct nw_progress progress = cli_progress_begin(&bar, "measuring");
    enum nw_status status = nw_series_measure(paths, w->n_subs, &opts, &progress, &w->series, err);
    cli_progress_end(&bar);
    for (size_t i = 0; i < w->n_subs && status == NW_OK; i++) {
        const struct nw_series_item *const item = &w->series.items[i];
        if (item->status != NW_OK) {
            continue;
        }
        const size_t n = item->n_measures;
        w->subs[i].measure = item->measures[n == NW_HAND_COLOURS ? 1 : 0];
        w->subs[i].is_grid = n == NW_HAND_COLOURS && item->frame->n_planes == 1;
        w->subs[i].n_colours = n == NW_HAND_COLOURS ? n : 0;
        for (size_t k = 0; k < w->subs[i].n_colours; k++) {
            w->subs[i].colours[k] = item->measures[k];
        }
    }
    free((void *)paths);
    return status;
}

/* Names as given, or as they end: "sub-0007.fits". */
static void leave_out(const struct cli_args *args, struct cli_handover *w) {
    size_t n = 0;
    const char *const *const names = cli_texts(args, "leave-out", &n);
    for (size_t k = 0; k < n; k++) {
        bool is_found = false;
        for (size_t i = 0; i < w->n_subs; i++) {
            const char *const path = w->subs[i].path;
            const bool is_it =
                strcmp(path, names[k]) == 0 || strcmp(nw_file_base_name(path), names[k]) == 0;
            w->subs[i].is_left_out_by_owner = w->subs[i].is_left_out_by_owner || is_it;
            is_found = is_found || is_it;
        }
        if (!is_found) {
            cli_warn("--leave-out %s: no such sub", names[k]);
        }
    }
}

/* Median size of the differences of neighbours, as a Gaussian's sigma, over sqrt 2: enough to bring
 * a master in any unit (0 to 1, means of counts) to counts like those of a sub. */
static double rough_noise(const struct nw_frame *f) {
    const size_t n = f->width_px * f->height_px;
    const size_t step = n / 200000 + 1;
    size_t m = 0;
    float *const work = nw_calloc(n / step + 2, sizeof *work);
    for (size_t i = 0; work && i + 1 < n; i += step) {
        const float d = fabsf(f->px[i + 1] - f->px[i]);
        if (isfinite(d) && d > 0.0F) {
            work[m++] = d;
        }
    }
    const double out = m > 100 ? (double)nw_stat_median_f(work, m) / (0.6745 * sqrt(2.0)) : NAN;
    free(work);
    return out;
}

struct made { /* a master that was measured; zeroed: nothing is owned */
    struct nw_measure *planes[NW_HAND_COLOURS], *binned[NW_HAND_BINS][NW_HAND_COLOURS];
    struct nw_hand_made what;
};
static void made_done(struct made *m) {
    for (size_t k = 0; k < NW_HAND_COLOURS; k++) {
        nw_measure_free(m->planes[k]);
        for (size_t b = 0; b < NW_HAND_BINS; b++) {
            nw_measure_free(m->binned[b][k]);
        }
    }
}

/* Means of bin x bin pixels of one plane, measured. */
static enum nw_status measure_binned(const struct nw_frame *frame, size_t plane, size_t bin,
                                     struct nw_measure **ret, struct nw_err *err) {
    const struct nw_measure_opts opts = {.max_stars = 300, .fit_stars = 100};
    const size_t w = frame->width_px / bin;
    const size_t h = frame->height_px / bin;
    const struct nw_image_view from = nw_frame_plane(frame, plane);
    struct nw_frame half = *frame; /* borrows the header */
    half.width_px = w;
    half.height_px = h;
    half.n_planes = 1;
    half.px = nw_calloc(w * h + 1, sizeof *half.px);
    if (!half.px) {
        return nw_err_set(err, NW_NOMEM, "%s", frame->path);
    }
    for (size_t y = 0; y < h * bin; y++) {
        const float *const row = from.px + y * from.stride_px;
        float *const to = half.px + y / bin * w;
        for (size_t x = 0; x < w * bin; x++) {
            to[x / bin] += row[x] / (float)(bin * bin);
        }
    }
    const enum nw_status status = nw_measure_frame(&half, NW_CHANNEL_MONO, "", &opts, ret, err);
    free(half.px);
    return status;
}

/* In the bins that the groups ask for. */
static enum nw_status measure_bins(const struct cli_handover *w, const struct nw_frame *frame,
                                   size_t plane, struct made *ret, struct nw_err *err) {
    enum nw_status status = NW_OK;
    for (size_t g = 0; g < w->n_groups && status == NW_OK; g++) {
        const size_t bin = nw_handover_bin(frame->width_px, &w->groups[g]);
        if (bin < NW_HAND_BINS && !ret->binned[bin][plane]) {
            status = measure_binned(frame, plane, (size_t)2 << bin, &ret->binned[bin][plane], err);
            ret->what.binned[bin][plane] = ret->binned[bin][plane];
        }
    }
    return status;
}

/* Measures a master; *ret_factor: what its values were multiplied by. */
static enum nw_status measure_master(const struct cli_handover *w, const char *path,
                                     struct made *ret, double *ret_factor, struct nw_err *err) {
    static const enum nw_channel CHANNELS[] = {NW_CHANNEL_R, NW_CHANNEL_G, NW_CHANNEL_B};
    const struct nw_frame_opts read = {.n_threads = 1};
    const struct nw_measure_opts opts = {.max_stars = 3000, .fit_stars = 300};
    struct nw_frame *frame = NULL;
    enum nw_status status = nw_frame_read(path, &read, &frame, err);
    if (status == NW_OK) {
        const double noise = rough_noise(frame);
        const size_t n = frame->width_px * frame->height_px * frame->n_planes;
        *ret_factor = noise > 0.0 ? 10.0 / noise : 1.0;
        for (size_t i = 0; i < n; i++) {
            frame->px[i] *= (float)*ret_factor;
        }
        frame->step_adu *= *ret_factor;
        frame->data_max_adu = NAN;
        frame->facts.bayer[0] = '\0'; /* left over from a sub: a master has no pattern */
        ret->what.n_planes = frame->n_planes;
        nw_text_copy(ret->what.filter, sizeof ret->what.filter, frame->facts.filter);
    }
    for (size_t k = 0; status == NW_OK && k < frame->n_planes; k++) {
        status = nw_measure_frame(frame, frame->n_planes == 3 ? CHANNELS[k] : NW_CHANNEL_MONO, "",
                                  &opts, &ret->planes[k], err);
        ret->what.planes[k] = ret->planes[k];
        status = status == NW_OK ? measure_bins(w, frame, k, ret, err) : status;
    }
    nw_frame_free(frame);
    return status;
}

static struct nw_hand_judged judged_of(const struct cli_handover *w) {
    return (struct nw_hand_judged){w->subs, w->n_subs, w->groups, w->n_groups};
}

static enum nw_status audit(struct cli_handover *w, struct nw_err *err) {
    const struct nw_hand_judged judged = judged_of(w);
    w->audits = nw_calloc(w->masters.n + 1, sizeof *w->audits);
    if (!w->audits) {
        return nw_err_set(err, NW_NOMEM, "masters");
    }
    for (size_t i = 0; i < w->masters.n; i++) {
        struct nw_hand_master *const m = &w->audits[i];
        struct made made = {.planes = {NULL}};
        struct nw_err why = {0};
        double factor = 1.0;
        m->path = w->masters.items[i];
        enum nw_status status = measure_master(w, m->path, &made, &factor, &why);
        if (status == NW_OK) {
            status = nw_handover_audit(&made.what, &judged, &m->audit, &why);
        }
        for (size_t k = 0; k < m->audit.n_planes; k++) {
            m->audit.planes[k].flux_scale /= factor;
        }
        made_done(&made);
        if (status == NW_NOMEM) {
            return nw_err_set(err, status, "%s", why.text);
        }
        nw_text_copy(m->why_null, sizeof m->why_null, status == NW_OK ? "" : why.text);
    }
    return NW_OK;
}

enum nw_status cli_handover_load(const struct cli_args *args, struct cli_handover *w,
                                 struct nw_err *err) {
    const struct nw_hand_opts opts = {
        .least_weight = cli_number(args, "least-weight", NAN), .wide = NAN, .patchy = NAN};
    w->pattern = cli_text(args, "pattern");
    enum nw_status status = find_paths(args, w, err);
    status = status == NW_OK ? cli_handover_headers(w, err) : status;
    if (status == NW_OK && w->n_subs == 0) {
        status = nw_err_set(err, NW_NOTFOUND,
                            "no light frame among %zu files (%zu bias, dark or flat frames)",
                            w->paths.n, w->n_frames);
    }
    status = status == NW_OK ? measure(w, err) : status;
    if (status == NW_OK) {
        leave_out(args, w);
        status = nw_handover_judge(w->subs, w->n_subs, &opts, &w->groups, &w->n_groups, err);
    }
    const struct nw_hand_judged judged = judged_of(w);
    status = status == NW_OK ? nw_handover_calibrate(&judged, w->frames, w->n_frames, NULL,
                                                     &w->sets, &w->n_sets, err)
                             : status;
    return status == NW_OK ? audit(w, err) : status;
}

enum nw_status cli_handover_hash(struct cli_handover *w, struct nw_err *err) {
    enum nw_status status = NW_OK;
    w->files = nw_calloc(w->n_subs + w->n_frames + 1, sizeof *w->files);
    if (!w->files) {
        return nw_err_set(err, NW_NOMEM, "checksums");
    }
    for (size_t i = 0; i < w->n_subs + w->n_frames && status == NW_OK; i++) {
        struct nw_file_id id;
        status =
            nw_hash_file(i < w->n_subs ? w->subs[i].path : w->frames[i - w->n_subs].path, &id, err);
        if (status == NW_OK) {
            nw_hash_text(&id.hash, w->files[i].sha256);
            w->files[i].size_bytes = id.size_bytes;
        }
    }
    return status;
}

void cli_handover_done(struct cli_handover *w) {
    for (size_t i = 0; w->headers && i < w->paths.n; i++) {
        nw_frame_free(w->headers[i]);
    }
    free((void *)w->headers);
    nw_series_done(&w->series);
    nw_hand_sets_free(w->sets, w->n_sets);
    free(w->groups);
    free(w->subs);
    free(w->frames);
    free(w->files);
    free(w->audits);
    nw_paths_done(&w->paths);
    nw_paths_done(&w->masters);
}

/* ---- Verify ---- */

static enum nw_status verify_row(const struct nw_table *table, size_t row, const int columns[3],
                                 const char *folder, bool *ret_is_same) {
    char path[CLI_MAX_PATH];
    char text[NW_HASH_TEXT];
    struct nw_file_id id;
    struct nw_err why = {0};
    if (folder) {
        (void)snprintf(path, sizeof path, "%s/%s", folder,
                       nw_table_cell(table, row, (size_t)columns[1]));
    } else {
        nw_text_copy(path, sizeof path, nw_table_cell(table, row, (size_t)columns[0]));
    }
    const enum nw_status status = nw_hash_file(path, &id, &why);
    if (status != NW_OK) {
        cli_warn("%s", why.text);
        *ret_is_same = false;
        return status == NW_NOMEM ? status : NW_OK;
    }
    nw_hash_text(&id.hash, text);
    *ret_is_same = strcmp(text, nw_table_cell(table, row, (size_t)columns[2])) == 0;
    if (!*ret_is_same) {
        cli_warn("%s: differs from what was handed over", path);
    }
    return NW_OK;
}

enum nw_status cli_handover_verify(const char *csv, const char *folder, struct cli_result *result,
                                   struct nw_err *err) {
    struct nw_table *table = NULL;
    enum nw_status status = nw_table_read(csv, &table, err);
    if (status != NW_OK) {
        return status;
    }
    const int columns[3] = {nw_table_column(table, "path"), nw_table_column(table, "name"),
                            nw_table_column(table, "sha256")};
    const size_t n = nw_table_n_rows(table);
    size_t n_bad = 0;
    if (columns[0] < 0 || columns[1] < 0 || columns[2] < 0) {
        status = nw_err_set(err, NW_FORMAT,
                            "%s: expected the columns path, name, sha256 of a "
                            "hand-over's CSV",
                            csv);
    }
    for (size_t i = 0; i < n && status == NW_OK; i++) {
        bool is_same = false;
        status = verify_row(table, i, columns, folder, &is_same);
        n_bad += !is_same;
    }
    nw_table_free(table);
    if (status == NW_OK && n_bad) {
        return nw_err_set(err, NW_DATA, "%zu of %zu files are missing or differ", n_bad, n);
    }
    nw_buf_printf(&result->text, "all %zu files are there and the same\n", n);
    return status;
}
