/* texts.c - logs and rig files on their way into the book, one transaction each.
 * Idea: a log that begins with what the book has of its place has grown: the longer one takes the
 * place of the shorter. */
#include "book/readings.h"
#include "rig/rig.h"

enum { MAX_RIG_BYTES = 1 << 20, MAX_LOG_BYTES = 1 << 29 };

enum nw_status book_find_grown(struct nw_book *book, struct book_file *file, struct nw_err *err) {
    const struct book_value values[] = {book_text(file->path),
                                        book_text(book_kind_word(file->kind))};
    sqlite3_stmt *statement = NULL;
    bool is_row = false;
    enum nw_status status = book_prepare(
        book,
        "SELECT content.id, content.size_bytes, content.sha256 FROM place JOIN content "
        "ON content.id = place.content_id WHERE path = ?1 AND kind = ?2",
        values, 2, &statement, err);
    if (status == NW_OK) {
        status = book_step(book, statement, &is_row, err);
    }
    char *data = NULL;
    size_t len = 0;
    if (is_row && nw_file_read(file->path, MAX_LOG_BYTES, &data, &len, NULL) == NW_OK) {
        const int64_t old_size = sqlite3_column_int64(statement, 1);
        if (old_size >= 0 && (uint64_t)old_size <= len) {
            const struct nw_hash hash = nw_hash_of(data, (size_t)old_size);
            const void *const old = sqlite3_column_blob(statement, 2);
            const bool is_same = old && memcmp(old, hash.bytes, NW_HASH_BYTES) == 0;
            file->replaces = is_same ? sqlite3_column_int64(statement, 0) : 0;
        }
    }
    free(data);
    (void)sqlite3_finalize(statement);
    return status;
}

/* What a log holds: of guiding, or of climate and power, which may share a table. */
struct read_log {
    struct book_log guide;
    struct nw_air_log climate;
    struct nw_power_rows power;
};

static enum nw_status write_readings(struct book_adding *a, int64_t content,
                                     const struct read_log *log, struct nw_err *err) {
    struct book_source source = {.content_id = content};
    enum nw_status status = book_longitude(a->book, a->opts, &source.longitude_rad, err);
    if (status == NW_OK && log->climate.n > 0) {
        status = book_write_climate(a->book, &source, &log->climate, err);
        a->added->n_climate += status == NW_OK ? source.number : 0;
    }
    source.number = 0;
    if (status == NW_OK && log->power.n > 0) {
        status = book_write_power(a->book, &source, &log->power, err);
        a->added->n_power += status == NW_OK ? source.number : 0;
    }
    return status;
}

static enum nw_status write_log(struct book_adding *a, struct book_file *file,
                                const struct read_log *log, struct nw_err *err) {
    int64_t content = 0;
    const struct book_value old = book_int(file->replaces);
    enum nw_status status = book_begin(a->book, err);
    if (status == NW_OK && file->replaces != 0) {
        status = book_run(a->book, "DELETE FROM content WHERE id = ?1", &old, 1, err);
    }
    if (status == NW_OK) {
        status = book_add_content(a->book, file, a->opts, &content, err);
    }
    if (status == NW_OK) {
        status = file->kind == BOOK_LOG
                     ? book_write_log(a->book, content, &log->guide, a->opts, a->added, err)
                     : write_readings(a, content, log, err);
    }
    status = status == NW_OK ? book_commit(a->book, err) : status;
    book_rollback(a->book);
    if (status == NW_OK) {
        a->added->n_fate[file->replaces != 0 ? NW_BOOK_REPLACED : NW_BOOK_ADDED]++;
    }
    return status;
}

/* Read without an error so far (else `read` and `why` say which). */
static enum nw_status take_log(struct book_adding *a, struct book_file *file,
                               const struct read_log *log, enum nw_status read,
                               const struct nw_err *why, struct nw_err *err) {
    if (read == NW_NOMEM) {
        return nw_err_set(err, read, "%s", why->text);
    }
    if (read != NW_OK) {
        return book_skip(a, file->path, why->text, err);
    }
    const enum nw_status status = book_find_grown(a->book, file, err);
    if (status == NW_OK && book_has_changed(file)) {
        return book_skip(a, file->path, "changed while it was read: still being written", err);
    }
    return status == NW_OK ? write_log(a, file, log, err) : status;
}

/* A table of our columns; `read`, `why`: how reading it went. */
static enum nw_status add_table(struct book_adding *a, struct book_file *file,
                                const struct nw_table *table, enum nw_status read,
                                struct nw_err *why, struct nw_err *err) {
    struct read_log log = {.power = {.n = 0}};
    if (read == NW_OK && file->kind == BOOK_CLIMATE) {
        read = nw_air_log_read_plain(table, &log.climate, why);
    }
    if (read == NW_OK && (file->kind == BOOK_POWER || nw_power_rows_are_in(table))) {
        read = nw_power_rows_read(table, &log.power, why);
    }
    const enum nw_status status = take_log(a, file, &log, read, why, err);
    nw_air_log_done(&log.climate);
    nw_power_rows_done(&log.power);
    return status;
}

enum nw_status book_add_readings(struct book_adding *a, struct book_file *file,
                                 struct nw_err *err) {
    struct nw_table *table = NULL;
    struct nw_err why = {0};
    const enum nw_status read = nw_table_read(file->path, &table, &why);
    const enum nw_status status = add_table(a, file, table, read, &why, err);
    nw_table_free(table);
    return status;
}

/* The log as a table of ours by one of the layouts that describe readings; NULL: by none. */
static struct nw_table *translate(const struct book_adding *a, const char *path,
                                  struct nw_err *why) {
    const struct nw_guide_layouts *const layouts = a->opts->layouts;
    struct nw_table *table = NULL;
    char *data = NULL;
    size_t len = 0;
    for (size_t i = 0; layouts && i < layouts->n && !table; i++) {
        struct nw_buf csv;
        if (layouts->items[i].readings[0] == '\0' ||
            (!data && nw_file_read(path, MAX_LOG_BYTES, &data, &len, NULL) != NW_OK)) {
            continue;
        }
        nw_buf_init(&csv, MAX_LOG_BYTES);
        struct nw_err own = {0};
        const enum nw_status read =
            nw_log_readings(path, data, len, &layouts->items[i], &csv, &own);
        if (read == NW_FORMAT) { /* the description, whatever the file */
            *why = own;
        }
        if (read != NW_OK || nw_table_parse(path, csv.data, csv.len, &table, NULL) != NW_OK) {
            table = NULL;
        }
        nw_buf_done(&csv);
    }
    free(data);
    return table;
}

enum nw_status book_add_log(struct book_adding *a, struct book_file *file, struct nw_err *err) {
    struct read_log log = {.power = {.n = 0}};
    struct nw_err why = {0};
    struct nw_err description = {0};
    struct nw_table *const table = translate(a, file->path, &description);
    if (table) {
        file->kind = book_table_kind(table);
        const enum nw_status status = add_table(a, file, table, NW_OK, &why, err);
        nw_table_free(table);
        return status;
    }
    const enum nw_status read = book_read_log(file->path, a->opts, &log.guide, &why);
    if (read != NW_OK && read != NW_NOMEM && description.text[0] != '\0') {
        why = description;
    }
    const enum nw_status status = take_log(a, file, &log, read, &why, err);
    book_log_done(&log.guide);
    return status;
}

static enum nw_status write_rig(struct book_adding *a, const struct book_file *file,
                                const char *name, const char *text, struct nw_err *err) {
    int64_t content = 0;
    enum nw_status status = book_begin(a->book, err);
    if (status == NW_OK) {
        status = book_add_content(a->book, file, a->opts, &content, err);
    }
    const struct book_value values[] = {book_int(content), book_text(name), book_text(text)};
    if (status == NW_OK) {
        status = book_run(a->book,
                          "INSERT INTO rig_version (content_id, name, text) VALUES (?1, ?2, ?3)",
                          values, 3, err);
    }
    status = status == NW_OK ? book_commit(a->book, err) : status;
    book_rollback(a->book);
    if (status == NW_OK) {
        a->added->n_rigs++;
        a->added->n_fate[NW_BOOK_ADDED]++;
    }
    return status;
}

enum nw_status book_add_rig(struct book_adding *a, const struct book_file *file,
                            struct nw_err *err) {
    struct nw_rig *rig = NULL;
    char *text = NULL;
    size_t len = 0;
    struct nw_err why = {0};
    enum nw_status status = nw_rig_read(file->path, NULL, 0, &rig, &why);
    if (status == NW_OK) {
        status = nw_file_read(file->path, MAX_RIG_BYTES, &text, &len, &why);
    }
    if (status == NW_NOMEM) {
        status = nw_err_set(err, status, "%s", why.text);
    } else if (status != NW_OK) {
        status = book_skip(a, file->path, why.text, err);
    } else {
        status = write_rig(a, file, rig->name, text, err);
    }
    free(text);
    nw_rig_free(rig);
    return status;
}
