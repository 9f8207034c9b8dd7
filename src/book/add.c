/* add.c - files and folders into the book.
 * Idea: each path is known again by place, size and time, else by content; what is new waits in a
 * batch; a batch is read and measured first and then written in one transaction. Killed in between,
 * the batch was never there and the next run takes it anew.
 * Holds: 1. nothing is written while a file is read.  2. a file that changed between hash and end
 * of measuring is skipped: it is still being written. */
#include <errno.h>
#include <limits.h>
#include <math.h>
#include <sys/stat.h>

#include "book/sets.h"

enum { FOLDER_DEPTH = 8, MAX_PATHS = 2000000, MAX_SKIPPED = 2000000 };

const char *nw_book_fate_word(enum nw_book_fate fate) {
    static const char *const WORDS[] = {
#define X(name, word) word,
        NW_BOOK_FATE_LIST(X)
#undef X
    };
    return WORDS[fate];
}

void nw_book_added_done(struct nw_book_added *added) {
    for (size_t i = 0; i < added->n_skipped; i++) {
        free(added->skipped[i].path);
    }
    free(added->skipped);
    *added = (struct nw_book_added){0};
}

/* The reason without the path in front, which the reader of it has already; "PATH:2: ..." becomes
 * "line 2: ...". */
static void copy_reason(char *to, size_t size, const char *path, const char *why) {
    const size_t len = strlen(path);
    if (strncmp(why, path, len) != 0 || why[len] != ':') {
        nw_text_copy(to, size, why);
    } else if (why[len + 1] == ' ') {
        nw_text_copy(to, size, why + len + 2);
    } else {
        (void)snprintf(to, size, "line %s", why + len + 1);
    }
}

enum nw_status book_skip(struct book_adding *a, const char *path, const char *why,
                         struct nw_err *err) {
    struct nw_book_added *const added = a->added;
    const enum nw_status status =
        nw_grow((void **)&added->skipped, &added->skipped_cap, added->n_skipped + 1,
                sizeof *added->skipped, MAX_SKIPPED, err);
    if (status != NW_OK) {
        return status;
    }
    struct nw_book_skipped *const skipped = &added->skipped[added->n_skipped];
    skipped->path = nw_strdup(path);
    if (!skipped->path) {
        return nw_err_set(err, NW_NOMEM, "%s", path);
    }
    copy_reason(skipped->why, sizeof skipped->why, path, why);
    added->n_skipped++;
    added->n_fate[NW_BOOK_SKIPPED]++;
    return NW_OK;
}

/* ---- Writing -------------------------------------------------------------------------------- */

enum nw_status book_set_place(struct nw_book *book, const char *path, int64_t content_id,
                              const struct nw_file_id *id, struct nw_err *err) {
    const struct book_value values[] = {book_text(path), book_int(content_id),
                                        book_int(id->size_bytes), book_int(id->mtime_ns)};
    return book_run(book,
                    "INSERT INTO place VALUES (?1, ?2, ?3, ?4) ON CONFLICT (path) DO UPDATE SET "
                    "content_id = ?2, size_bytes = ?3, mtime_ns = ?4",
                    values, 4, err);
}

enum nw_status book_add_content(struct nw_book *book, const struct book_file *file,
                                const struct nw_book_add_opts *opts, int64_t *ret_id,
                                struct nw_err *err) {
    const struct book_value values[] = {
        book_blob(file->id.hash.bytes, NW_HASH_BYTES),
        book_text(book_kind_word(file->kind)),
        book_int(file->id.size_bytes),
        book_real(isfinite(opts->now_utc_s) ? opts->now_utc_s : 0.0),
        book_text(opts->program_version ? opts->program_version : ""),
    };
    enum nw_status status =
        book_run(book,
                 "INSERT INTO content (sha256, kind, size_bytes, added_utc_s, program_version) "
                 "VALUES (?1, ?2, ?3, ?4, ?5)",
                 values, 5, err);
    if (status == NW_OK) {
        *ret_id = book_last_id(book);
        status = book_set_place(book, file->path, *ret_id, &file->id, err);
    }
    return status;
}

static enum nw_status find_content(struct nw_book *book, const struct nw_file_id *id, int64_t *ret,
                                   struct nw_err *err) {
    const struct book_value value = book_blob(id->hash.bytes, NW_HASH_BYTES);
    *ret = 0;
    return book_int_of(book, "SELECT id FROM content WHERE sha256 = ?1", &value, 1, ret, err);
}

bool book_has_changed(const struct book_file *file) {
    int64_t size = 0;
    int64_t mtime = 0;
    return nw_file_stat(file->path, &size, &mtime, NULL) != NW_OK || size != file->id.size_bytes ||
           mtime != file->id.mtime_ns;
}

/* ---- Frames --------------------------------------------------------------------------------- */

/* The same exposure at the same place with other bytes (a header edited) takes the place of what
 * was there; another exposure under an old name does not: both are kept. */
static enum nw_status drop_older(struct nw_book *book, const struct book_file *file,
                                 const struct nw_frame_facts *facts, bool *ret_is_dropped,
                                 struct nw_err *err) {
    const struct book_value values[] = {book_text(file->path), book_real(facts->t_start_utc_s),
                                        book_real(facts->exposure_s)};
    const enum nw_status status = book_run(
        book,
        "DELETE FROM content WHERE id = (SELECT frame.content_id FROM place JOIN frame ON "
        "frame.content_id = place.content_id WHERE path = ?1 AND t_start_utc_s = ?2 AND "
        "exposure_s = ?3) AND NOT EXISTS (SELECT 1 FROM place AS other WHERE other.content_id = "
        "content.id AND other.path <> ?1)",
        values, 3, err);
    *ret_is_dropped = status == NW_OK && sqlite3_changes(book->db) > 0;
    return status;
}

/* One frame of a batch into the open transaction. */
static enum nw_status write_one(struct book_adding *a, const struct book_file *file,
                                const struct nw_series_item *item, struct nw_err *err) {
    int64_t content = 0;
    if (!item->frame) {
        return book_skip(a, file->path, item->err.text, err);
    }
    if (book_has_changed(file)) {
        return book_skip(a, file->path, "changed while it was measured: still being written", err);
    }
    enum nw_status status = find_content(a->book, &file->id, &content, err);
    if (status != NW_OK) {
        return status;
    }
    if (content != 0) { /* the same twice in one batch */
        a->added->n_fate[NW_BOOK_KNOWN]++;
        return book_set_place(a->book, file->path, content, &file->id, err);
    }
    bool is_replaced = false;
    status = drop_older(a->book, file, &item->frame->facts, &is_replaced, err);
    if (status == NW_OK) {
        status = book_add_content(a->book, file, a->opts, &content, err);
    }
    if (status == NW_OK) {
        status = book_write_frame(a->book, content, item, a->opts, a->added, err);
    }
    a->added->n_fate[is_replaced ? NW_BOOK_REPLACED : NW_BOOK_ADDED] += status == NW_OK ? 1 : 0;
    return status;
}

static enum nw_status write_batch(struct book_adding *a, const struct nw_series *series,
                                  struct nw_err *err) {
    const struct nw_book_added before = *a->added;
    enum nw_status status = book_begin(a->book, err);
    for (size_t i = 0; i < a->n_frames && status == NW_OK; i++) {
        status = write_one(a, &a->frames[i], &series->items[i], err);
    }
    if (status == NW_OK) {
        status = book_commit(a->book, err);
    }
    if (status != NW_OK) { /* what was counted did not happen; the skipped ones stay listed */
        book_rollback(a->book);
        const struct nw_book_added now = *a->added;
        *a->added = before;
        a->added->skipped = now.skipped;
        a->added->n_skipped = now.n_skipped;
        a->added->skipped_cap = now.skipped_cap;
        a->added->n_fate[NW_BOOK_SKIPPED] = now.n_fate[NW_BOOK_SKIPPED];
    }
    return status;
}

/* Headers of all, pixels of the lights: the items that are not measured keep their header. */
static enum nw_status measure_batch(struct book_adding *a, struct nw_series *series,
                                    struct nw_err *err) {
    const struct nw_series_opts opts = {
        .measure = {.n_threads = a->opts->n_threads},
        .pattern_if_unsaid = a->opts->pattern_if_unsaid,
    };
    const struct nw_frame_opts header = {.header_only = true};
    const char *paths[BOOK_BATCH];
    size_t at[BOOK_BATCH] = {0};
    size_t n = 0;
    for (size_t i = 0; i < a->n_frames; i++) {
        struct nw_series_item *const item = &series->items[i];
        item->status = nw_frame_read(a->frames[i].path, &header, &item->frame, &item->err);
        if (item->status == NW_OK && nw_frame_use_of(&item->frame->facts) == NW_USE_LIGHT) {
            paths[n] = a->frames[i].path;
            at[n++] = i;
        }
    }
    struct nw_series measured = {0};
    const enum nw_status status =
        n > 0 ? nw_series_measure(paths, n, &opts, NULL, &measured, err) : NW_OK;
    for (size_t i = 0; i < measured.n && i < n;
         i++) { /* the measured item takes the header's place */
        const struct nw_series_item header_item = series->items[at[i]];
        series->items[at[i]] = measured.items[i];
        measured.items[i] = header_item;
    }
    nw_series_done(&measured);
    return status;
}

static void drop_batch(struct book_adding *a) {
    for (size_t i = 0; i < a->n_frames; i++) {
        free(a->frames[i].path);
    }
    a->n_frames = 0;
}

static enum nw_status flush(struct book_adding *a, struct nw_err *err) {
    if (a->n_frames == 0) {
        return NW_OK;
    }
    struct nw_series series = {.items = nw_calloc(a->n_frames, sizeof *series.items),
                               .n = a->n_frames};
    enum nw_status status =
        series.items ? NW_OK : nw_err_set(err, NW_NOMEM, "%zu frames", a->n_frames);
    if (status == NW_OK) {
        status = measure_batch(a, &series, err);
    }
    if (status == NW_OK) {
        status = write_batch(a, &series, err);
    }
    nw_series_done(&series);
    drop_batch(a);
    return status;
}

/* ---- Paths ---------------------------------------------------------------------------------- */

/* Is this path as the book saw it last? */
static enum nw_status is_as_seen(struct nw_book *book, const char *path, bool *ret,
                                 struct nw_err *err) {
    int64_t size = 0;
    int64_t mtime = 0;
    int64_t n = 0;
    *ret = false;
    if (nw_file_stat(path, &size, &mtime, NULL) != NW_OK) {
        return NW_OK; /* reading it will say why */
    }
    const struct book_value values[] = {book_text(path), book_int(size), book_int(mtime)};
    const enum nw_status status = book_int_of(
        book, "SELECT 1 FROM place WHERE path = ?1 AND size_bytes = ?2 AND mtime_ns = ?3", values,
        3, &n, err);
    *ret = n == 1;
    return status;
}

/* A new content goes to its batch or is added at once; takes the path over when it waits. */
static enum nw_status take(struct book_adding *a, struct book_file *file, struct nw_err *err) {
    file->kind = book_look_kind(file->path);
    if (file->kind == BOOK_LOG) {
        return book_add_log(a, file, err);
    }
    if (file->kind == BOOK_CLIMATE || file->kind == BOOK_POWER) {
        return book_add_readings(a, file, err);
    }
    if (file->kind == BOOK_RIG) {
        return book_add_rig(a, file, err);
    }
    if (file->kind == BOOK_DOCUMENT) {
        return book_add_document(a, file, err);
    }
    if (file->kind == BOOK_FOCUS) {
        return book_skip(a, file->path,
                         "a table of focus runs: `focus` reads it, the book does not keep it", err);
    }
    a->frames[a->n_frames++] = *file;
    file->path = NULL;
    return a->n_frames == BOOK_BATCH ? flush(a, err) : NW_OK;
}

static enum nw_status consider(struct book_adding *a, const char *path, struct nw_err *err) {
    struct book_file file = {.path = realpath(path, NULL), .kind = book_kind_of(path)};
    struct nw_err why = {0};
    bool is_seen = false;
    int64_t content = 0;
    enum nw_status status = NW_OK;
    a->added->n_files++;
    if (!file.path || file.kind == BOOK_NOTHING) {
        status =
            book_skip(a, path,
                      file.path ? "nothing that the book keeps: frames (.fits .fit .fts .fits.gz "
                                  ".fits.fz), guide, climate and power logs (.csv .txt .log), rig "
                                  "files (.yaml .yml)"
                                : "is no longer there",
                      err);
        goto done;
    }
    status = is_as_seen(a->book, file.path, &is_seen, err);
    if (status != NW_OK || is_seen) {
        a->added->n_fate[NW_BOOK_KNOWN] += is_seen ? 1 : 0;
        goto done;
    }
    if (nw_hash_file(file.path, &file.id, &why) != NW_OK) {
        status = book_skip(a, file.path, why.text, err);
        goto done;
    }
    status = find_content(a->book, &file.id, &content, err);
    if (status == NW_OK && content != 0) {
        a->added->n_fate[NW_BOOK_KNOWN]++;
        status = book_set_place(a->book, file.path, content, &file.id, err);
    } else if (status == NW_OK) {
        status = take(a, &file, err);
    }
done:
    free(file.path);
    return status;
}

static enum nw_status add_path(struct nw_paths *to, const char *path, struct nw_err *err) {
    const enum nw_status status =
        nw_grow((void **)&to->items, &to->cap, to->n + 1, sizeof *to->items, MAX_PATHS, err);
    if (status != NW_OK) {
        return status;
    }
    to->items[to->n] = nw_strdup(path);
    if (!to->items[to->n]) {
        return nw_err_set(err, NW_NOMEM, "%s", path);
    }
    to->n++;
    return NW_OK;
}

/* Every path must be there before the first is read. */
static enum nw_status gather(const char *const *given, size_t n, struct nw_paths *ret,
                             struct nw_err *err) {
    static const char *const ENDINGS[] = {".fits", ".fit", ".fts",  ".fits.gz", ".fits.fz", ".csv",
                                          ".txt",  ".log", ".yaml", ".yml",     ".json",    NULL};
    enum nw_status status = NW_OK;
    for (size_t i = 0; i < n && status == NW_OK; i++) {
        struct stat st;
        struct nw_paths inside = {0};
        if (stat(given[i], &st) != 0) {
            status = nw_err_set(err, errno == ENOENT ? NW_NOTFOUND : NW_IO, "%s: %s", given[i],
                                errno == ENOENT ? "no such file or folder" : "cannot be read");
        } else if (!S_ISDIR(st.st_mode)) {
            status = add_path(ret, given[i], err);
        } else {
            status = nw_file_list(given[i], ENDINGS, FOLDER_DEPTH, &inside, err);
        }
        for (size_t k = 0; k < inside.n && status == NW_OK; k++) {
            const char *const path = inside.items[k];
            if (book_kind_of(path) != BOOK_DOCUMENT || book_is_document(path)) {
                status = add_path(ret, path, err);
            }
        }
        nw_paths_done(&inside);
    }
    return status;
}

/* Frames before logs and documents: they know the site, which says to which night those belong. */
static enum nw_status consider_all(struct book_adding *a, const struct nw_paths *all,
                                   const struct nw_progress *progress, struct nw_err *err) {
    enum nw_status status = NW_OK;
    size_t n_done = 0;
    for (size_t pass = 0; pass < 2 && status == NW_OK; pass++) {
        for (size_t i = 0; i < all->n && status == NW_OK; i++) {
            const enum book_kind kind = book_kind_of(all->items[i]);
            if ((kind == BOOK_LOG || kind == BOOK_DOCUMENT) != (pass == 1)) {
                continue;
            }
            status = consider(a, all->items[i], err);
            if (progress && progress->tell && !progress->tell(progress->user, ++n_done, all->n)) {
                return status == NW_OK ? flush(a, err) : status;
            }
        }
        status = status == NW_OK ? flush(a, err) : status;
    }
    return status;
}

enum nw_status nw_book_add(struct nw_book *book, const char *const *paths, size_t n_paths,
                           const struct nw_book_add_opts *opts, const struct nw_progress *progress,
                           struct nw_book_added *ret, struct nw_err *err) {
    *ret = (struct nw_book_added){0};
    struct book_adding a = {.book = book, .opts = opts, .added = ret};
    struct nw_paths all = {0};
    enum nw_status status = gather(paths, n_paths, &all, err);
    if (status == NW_OK) {
        status = consider_all(&a, &all, progress, err);
    }
    if (status == NW_OK) {
        status = book_group_sets(book, err);
    }
    if (status == NW_OK) {
        status = book_refresh_changes(book, &ret->n_changes, err);
    }
    if (status == NW_OK) {
        status = book_measure_sets(book, opts, progress, err);
    }
    drop_batch(&a);
    nw_paths_done(&all);
    return status;
}
