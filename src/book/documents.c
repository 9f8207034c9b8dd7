/* documents.c - what our commands print with --json, on its way into the book; see documents.h.
 * Idea: the text without what differs from run to run (elapsed time) is the content; what it is
 * about is the subject; the tables behind it are filled by the command's own function. */
#include "book/documents_internal.h"

#include <math.h>
#include <stdio.h>

static const struct {
    const char *command;
    enum nw_status (*write)(struct nw_book *book, const struct book_about *about,
                            struct nw_err *err);
} COMMANDS[] = {
    {"surface", book_write_surface}, {"trial", book_write_trial}, {"sensor", book_write_sensor},
    {"flats", book_write_flats},     {"plan", book_write_plan},
};
enum { N_COMMANDS = sizeof COMMANDS / sizeof COMMANDS[0] };

double book_json_real(const json_t *object, const char *key) {
    const json_t *const value = json_object_get(object, key);
    return json_is_number(value) ? json_number_value(value) : NAN;
}

const char *book_json_text(const json_t *object, const char *key) {
    const char *const text = json_string_value(json_object_get(object, key));
    return text ? text : "";
}

double book_json_time(const json_t *object, const char *key) {
    double t_s = NAN;
    const char *const text = book_json_text(object, key);
    return text[0] != '\0' && nw_time_read_iso(text, 0.0, &t_s, NULL) == NW_OK ? t_s : NAN;
}

void book_put_numbers(struct book_row *row, const json_t *object,
                      const struct book_json_column *columns, size_t n) {
    for (size_t i = 0; i < n; i++) {
        const double value = book_json_real(object, columns[i].key);
        book_row_put(row, columns[i].column,
                     book_real(value * columns[i].factor + columns[i].offset));
    }
}

/* "nightwright.surface.1" -> its number among the commands; N_COMMANDS: none of them. */
static size_t command_of(const json_t *root) {
    static const char PREFIX[] = "nightwright.";
    const char *const schema = book_json_text(root, "schema");
    const size_t prefix = sizeof PREFIX - 1;
    if (strncmp(schema, PREFIX, prefix) != 0) {
        return N_COMMANDS;
    }
    const char *const name = schema + prefix;
    const char *const dot = strchr(name, '.');
    const size_t len = dot ? (size_t)(dot - name) : strlen(name);
    size_t i = 0;
    while (i < N_COMMANDS &&
           (strlen(COMMANDS[i].command) != len || strncmp(COMMANDS[i].command, name, len) != 0)) {
        i++;
    }
    return i;
}

static void read_about(const json_t *root, size_t command, struct book_about *ret) {
    const json_t *const about = json_object_get(root, "about");
    const char *const setup = book_json_text(about, "setup");
    *ret = (struct book_about){
        .root = root,
        .about = about,
        .command = COMMANDS[command].command,
        .rig = book_json_text(about, "rig"),
        .setup = setup[0] != '\0' ? setup : book_json_text(root, "setup"),
        .camera = book_json_text(about, "camera"),
        .telescope = book_json_text(about, "telescope"),
        .filter = book_json_text(about, "filter"),
        .tube_side = book_json_text(about, "tube_side"),
        .night = book_json_text(root, "night"), /* of a plan */
        .start_utc_s = book_json_time(about, "start_utc"),
        .end_utc_s = book_json_time(about, "end_utc"),
        .n_frames = book_json_real(about, "frames"),
        .night_id = {.type = BOOK_NULL},
    };
}

/* The document as it is kept: keys in order, without what differs from run to run. */
static char *plain_text(const json_t *document) {
    json_t *const copy = json_copy((json_t *)(uintptr_t)document); /* NOLINT: read only */
    char *text = NULL;
    if (copy) {
        (void)json_object_del(copy, "elapsed_s");
        text = json_dumps(copy, JSON_COMPACT | JSON_SORT_KEYS);
    }
    json_decref(copy);
    return text;
}

static void write_subject(const struct book_about *a, const struct nw_hash *hash,
                          struct nw_buf *to) {
    if (a->night[0] != '\0') {
        nw_buf_printf(to, "%s|%s|%s", a->rig, a->setup, a->night);
        return;
    }
    if (!isfinite(a->start_utc_s)) { /* it does not say: only the same text is the same */
        for (size_t i = 0; i < NW_HASH_BYTES; i++) {
            nw_buf_printf(to, "%02x", hash->bytes[i]);
        }
        return;
    }
    nw_buf_printf(to, "%s|%s|%s|%s|%.0f|%.0f|%.0f", a->camera, a->filter,
                  book_json_text(a->root, "method"), book_json_text(a->root, "trial"),
                  a->start_utc_s, a->end_utc_s, a->n_frames);
}

/* The night of a plan by its date, of all else by the first frame. */
static enum nw_status find_night(struct nw_book *book, const struct nw_book_add_opts *opts,
                                 struct book_about *a, struct nw_book_kept *kept,
                                 struct nw_err *err) {
    double longitude_rad = NAN;
    double evening_s = NAN;
    enum nw_status status = book_longitude(book, opts, &longitude_rad, err);
    if (status != NW_OK) {
        return status;
    }
    if (a->night[0] != '\0') { /* 18 h of that day at Greenwich belongs to its evening */
        char evening[40];
        (void)snprintf(evening, sizeof evening, "%.10sT18:00:00Z", a->night);
        status = nw_time_read_iso(evening, 0.0, &evening_s, err);
        if (status != NW_OK) {
            return nw_err_at(err, status, "night of a plan");
        }
        nw_book_night_date(evening_s, 0.0, kept->date);
        return book_night_id(book, evening_s, 0.0, &a->night_id, err);
    }
    nw_book_night_date(a->start_utc_s, longitude_rad, kept->date);
    return book_night_id(book, a->start_utc_s, longitude_rad, &a->night_id, err);
}

static enum nw_status write_document(struct nw_book *book, const char *text, const char *subject,
                                     const struct nw_book_add_opts *opts, struct book_about *a,
                                     struct nw_err *err) {
    const struct nw_hash hash = nw_hash_of(text, strlen(text));
    const struct book_value old[] = {book_text(a->command), book_text(subject)};
    const struct book_value content[] = {
        book_blob(hash.bytes, NW_HASH_BYTES),
        book_text(book_kind_word(BOOK_DOCUMENT)),
        book_size(strlen(text)),
        book_real(isfinite(opts->now_utc_s) ? opts->now_utc_s : 0.0),
        book_text(opts->program_version ? opts->program_version : ""),
    };
    int64_t id = 0;
    enum nw_status status = book_run(book,
                                     "DELETE FROM content WHERE id = (SELECT content_id FROM "
                                     "document WHERE command = ?1 AND subject = ?2)",
                                     old, 2, err);
    if (status == NW_OK) {
        status = book_run(book,
                          "INSERT INTO content (sha256, kind, size_bytes, added_utc_s, "
                          "program_version) VALUES (?1, ?2, ?3, ?4, ?5)",
                          content, 5, err);
        id = book_last_id(book);
    }
    struct book_row row = {.table = "document"};
    book_row_put(&row, "content_id", book_int(id));
    book_row_put(&row, "command", book_text(a->command));
    book_row_put(&row, "schema", book_text(book_json_text(a->root, "schema")));
    book_row_put(&row, "subject", book_text(subject));
    book_row_put(&row, "night_id", a->night_id);
    book_row_put(&row, "t_utc_s", book_real(a->start_utc_s));
    book_row_put(&row, "rig_name", book_text(a->rig));
    book_row_put(&row, "setup", book_text(a->setup));
    book_row_put(&row, "text", book_text(text));
    status = status == NW_OK ? book_row_insert(book, &row, err) : status;
    a->document_id = book_last_id(book);
    return status;
}

static enum nw_status take(struct nw_book *book, size_t command, const char *text,
                           const struct nw_book_add_opts *opts, struct book_about *a,
                           struct nw_book_kept *kept, struct nw_err *err) {
    const struct nw_hash hash = nw_hash_of(text, strlen(text));
    const struct book_value value = book_blob(hash.bytes, NW_HASH_BYTES);
    struct nw_buf subject;
    int64_t n_same = 0;
    int64_t n_older = 0;
    nw_buf_init(&subject, 4096);
    write_subject(a, &hash, &subject);
    const struct book_value older[] = {book_text(a->command), book_text(subject.data)};
    enum nw_status status =
        nw_buf_failed(&subject)
            ? nw_err_set(err, NW_LIMIT, "subject of a document: over 4096 bytes")
            : find_night(book, opts, a, kept, err);
    if (status == NW_OK) {
        status = book_int_of(book, "SELECT count(*) FROM content WHERE sha256 = ?1", &value, 1,
                             &n_same, err);
    }
    if (status == NW_OK && n_same == 0) {
        status =
            book_int_of(book, "SELECT count(*) FROM document WHERE command = ?1 AND subject = ?2",
                        older, 2, &n_older, err);
        status = status == NW_OK ? write_document(book, text, subject.data, opts, a, err) : status;
        status = status == NW_OK ? COMMANDS[command].write(book, a, err) : status;
    }
    if (status == NW_OK) {
        status = book_int_of(book, "SELECT id FROM content WHERE sha256 = ?1", &value, 1,
                             &kept->content_id, err);
    }
    kept->fate = n_same > 0 ? NW_BOOK_KNOWN : n_older > 0 ? NW_BOOK_REPLACED : NW_BOOK_ADDED;
    nw_buf_done(&subject);
    return status;
}

enum nw_status nw_book_keep(struct nw_book *book, const json_t *document,
                            const struct nw_book_add_opts *opts, struct nw_book_kept *ret,
                            struct nw_err *err) {
    const size_t command = command_of(document);
    if (command == N_COMMANDS) {
        return nw_err_set(err, NW_FORMAT,
                          "schema '%.60s' is none that the book keeps, expected a document of "
                          "" NW_BOOK_DOCUMENTS,
                          book_json_text(document, "schema"));
    }
    struct book_about about;
    struct nw_book_kept kept = {.command = COMMANDS[command].command};
    char *const text = plain_text(document);
    read_about(document, command, &about);
    enum nw_status status =
        text ? book_begin(book, err) : nw_err_set(err, NW_NOMEM, "text of a document");
    if (status == NW_OK) {
        status = take(book, command, text, opts, &about, &kept, err);
        status = status == NW_OK ? book_commit(book, err) : status;
        book_rollback(book);
    }
    free(text);
    if (status == NW_OK) {
        *ret = kept;
    }
    return status;
}

/* ---- Files ---------------------------------------------------------------------------------- */

/* Is this a document of ours, by its first bytes? Folders hold other JSON as well. */
bool book_is_document(const char *path) {
    enum { LOOK_BYTES = 4096 };
    char text[LOOK_BYTES + 1];
    FILE *const file = fopen(path, "rb");
    const size_t len = file ? fread(text, 1, LOOK_BYTES, file) : 0;
    bool is_ours = false;
    text[len] = '\0';
    for (size_t i = 0; i < N_COMMANDS && !is_ours; i++) {
        char schema[40];
        (void)snprintf(schema, sizeof schema, "\"nightwright.%s.", COMMANDS[i].command);
        is_ours = strstr(text, schema) != NULL;
    }
    if (file) {
        (void)fclose(file);
    }
    return is_ours;
}

static enum nw_status read_document(const char *path, json_t **ret, struct nw_err *err) {
    enum { MAX_DOCUMENT_BYTES = 1 << 26 };
    char *data = NULL;
    size_t len = 0;
    json_error_t where;
    enum nw_status status = nw_file_read(path, MAX_DOCUMENT_BYTES, &data, &len, err);
    if (status == NW_OK) {
        *ret = json_loadb(data, len, JSON_REJECT_DUPLICATES, &where);
        if (!*ret) {
            status = nw_err_set(err, NW_FORMAT, "%s:%d: no JSON document: %s", path, where.line,
                                where.text);
        }
    }
    free(data);
    return status;
}

enum nw_status book_add_document(struct book_adding *a, const struct book_file *file,
                                 struct nw_err *err) {
    json_t *document = NULL;
    struct nw_err why = {0};
    struct nw_book_kept kept = {.command = NULL};
    enum nw_status status = read_document(file->path, &document, &why);
    if (status == NW_OK) {
        status = nw_book_keep(a->book, document, a->opts, &kept, &why);
    }
    json_decref(document);
    if (status == NW_FORMAT || status == NW_DATA || status == NW_NOTFOUND || status == NW_LIMIT) {
        return book_skip(a, file->path, why.text, err);
    }
    if (status != NW_OK) {
        return nw_err_set(err, status, "%s", why.text);
    }
    a->added->n_fate[kept.fate]++;
    a->added->n_documents += kept.fate == NW_BOOK_KNOWN ? 0 : 1;
    status = book_begin(a->book, err);
    status = status == NW_OK ? book_set_place(a->book, file->path, kept.content_id, &file->id, err)
                             : status;
    status = status == NW_OK ? book_commit(a->book, err) : status;
    book_rollback(a->book);
    return status;
}
