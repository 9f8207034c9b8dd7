/* db.c - the file: opening, migrations, statements.
 * Idea: user_version counts the schema files that have run, each in a transaction of its own;
 * application_id says that the file is a book. Write-ahead log, every commit synced: what was said
 * to be added is there after a power cut. On a network share, where the write-ahead log does not
 * work (sqlite.org/wal.html), the rollback journal takes its place.
 * Holds: statements are prepared for one call and finalised in it. */
#include <math.h>
#include <sys/vfs.h>

#include "book/book_internal.h"

static const int64_t APPLICATION_ID = 0x4e576b62; /* "NWkb" */
enum { BUSY_MS = 10000 };

enum nw_status book_fail(struct nw_book *book, const char *what, struct nw_err *err) {
    const int code = sqlite3_errcode(book->db) & 0xff;
    const enum nw_status status = code == SQLITE_NOMEM                              ? NW_NOMEM
                                  : code == SQLITE_NOTADB || code == SQLITE_CORRUPT ? NW_FORMAT
                                                                                    : NW_IO;
    if (code == SQLITE_NOTADB) {
        return nw_err_set(err, status, "%s: is no book (not a database)", book->path);
    }
    return nw_err_set(err, status, "%s: %s: %s", book->path, what, sqlite3_errmsg(book->db));
}

static int bind_value(sqlite3_stmt *statement, int at, const struct book_value *value) {
    switch (value->type) {
    case BOOK_INT:
        return sqlite3_bind_int64(statement, at, value->whole);
    case BOOK_REAL:
        return isfinite(value->real) ? sqlite3_bind_double(statement, at, value->real)
                                     : sqlite3_bind_null(statement, at);
    case BOOK_TEXT:
        return sqlite3_bind_text64(statement, at, value->bytes, value->len, SQLITE_TRANSIENT,
                                   SQLITE_UTF8);
    case BOOK_BLOB:
        return sqlite3_bind_blob64(statement, at, value->bytes, value->len, SQLITE_TRANSIENT);
    case BOOK_NULL:
        break;
    }
    return sqlite3_bind_null(statement, at);
}

enum nw_status book_prepare(struct nw_book *book, const char *sql, const struct book_value *values,
                            size_t n, sqlite3_stmt **ret, struct nw_err *err) {
    sqlite3_stmt *statement = NULL;
    if (sqlite3_prepare_v2(book->db, sql, -1, &statement, NULL) != SQLITE_OK) {
        return book_fail(book, "cannot read", err);
    }
    for (size_t i = 0; i < n; i++) {
        if (bind_value(statement, (int)i + 1, &values[i]) != SQLITE_OK) {
            const enum nw_status status = book_fail(book, "cannot bind", err);
            (void)sqlite3_finalize(statement);
            return status;
        }
    }
    *ret = statement;
    return NW_OK;
}

enum nw_status book_step(struct nw_book *book, sqlite3_stmt *statement, bool *ret_is_row,
                         struct nw_err *err) {
    const int code = sqlite3_step(statement);
    if (code != SQLITE_ROW && code != SQLITE_DONE) {
        return book_fail(book, book->can_write ? "cannot write" : "cannot read", err);
    }
    *ret_is_row = code == SQLITE_ROW;
    return NW_OK;
}

enum nw_status book_int_of(struct nw_book *book, const char *sql, const struct book_value *values,
                           size_t n, int64_t *ret, struct nw_err *err) {
    sqlite3_stmt *statement = NULL;
    bool is_row = false;
    enum nw_status status = book_prepare(book, sql, values, n, &statement, err);
    if (status == NW_OK) {
        status = book_step(book, statement, &is_row, err);
        if (is_row && sqlite3_column_type(statement, 0) != SQLITE_NULL) {
            *ret = sqlite3_column_int64(statement, 0);
        }
        (void)sqlite3_finalize(statement);
    }
    return status;
}

enum nw_status book_run(struct nw_book *book, const char *sql, const struct book_value *values,
                        size_t n, struct nw_err *err) {
    int64_t nothing = 0;
    return book_int_of(book, sql, values, n, &nothing, err);
}

enum nw_status book_each_row(struct nw_book *book, const char *sql, const struct book_value *values,
                             size_t n, book_take_row *take, void *to, struct nw_err *err) {
    sqlite3_stmt *statement = NULL;
    bool is_row = true;
    enum nw_status status = book_prepare(book, sql, values, n, &statement, err);
    while (status == NW_OK) {
        status = book_step(book, statement, &is_row, err);
        if (status != NW_OK || !is_row) {
            break;
        }
        status = take(statement, to, err);
    }
    (void)sqlite3_finalize(statement);
    return status;
}

static enum nw_status take_item(sqlite3_stmt *row, void *to, struct nw_err *err) {
    struct book_list *const list = to;
    const enum nw_status status =
        nw_grow(&list->items, &list->cap, list->n + 1, list->size, list->max, err);
    if (status == NW_OK) {
        list->take(row, (unsigned char *)list->items + list->size * list->n++);
    }
    return status;
}

enum nw_status book_list_rows(struct nw_book *book, const char *sql,
                              const struct book_value *values, size_t n, struct book_list *list,
                              struct nw_err *err) {
    const enum nw_status status = book_each_row(book, sql, values, n, take_item, list, err);
    if (status != NW_OK) {
        free(list->items);
        list->items = NULL;
        list->n = list->cap = 0;
    }
    return status;
}

int64_t book_last_id(const struct nw_book *book) {
    return sqlite3_last_insert_rowid(book->db);
}

enum nw_status book_begin(struct nw_book *book, struct nw_err *err) {
    return book_run(book, "BEGIN IMMEDIATE", NULL, 0, err);
}

enum nw_status book_commit(struct nw_book *book, struct nw_err *err) {
    const enum nw_status status = book_run(book, "COMMIT", NULL, 0, err);
    if (status != NW_OK) {
        book_rollback(book);
    }
    return status;
}

void book_rollback(struct nw_book *book) {
    if (!sqlite3_get_autocommit(book->db)) {
        (void)sqlite3_exec(book->db, "ROLLBACK", NULL, NULL, NULL);
    }
}

double book_column_real(sqlite3_stmt *statement, int column) {
    return sqlite3_column_type(statement, column) == SQLITE_NULL
               ? NAN
               : sqlite3_column_double(statement, column);
}

void book_column_text(sqlite3_stmt *statement, int column, char *to, size_t size) {
    const unsigned char *const text = sqlite3_column_text(statement, column);
    nw_text_copy(to, size, text ? (const char *)text : "");
}

/* ---- Opening ------------------------------------------------------------------------------ */

static size_t n_migrations(void) {
    size_t n = 0;
    while (BOOK_SCHEMA[n]) {
        n++;
    }
    return n;
}

/* Runs one schema file; the keys that point nowhere may not become more by it. Tables are made anew
 * with foreign keys off (sqlite.org/lang_altertable.html, 7). */
static enum nw_status run_schema(struct nw_book *book, size_t version, struct nw_err *err) {
    static const char LOOSE[] = "SELECT count(*) FROM pragma_foreign_key_check";
    char text[64];
    int64_t n_before = 0;
    int64_t n_loose = 0;
    enum nw_status status = book_int_of(book, LOOSE, NULL, 0, &n_before, err);
    if (status == NW_OK &&
        sqlite3_exec(book->db, BOOK_SCHEMA[version - 1], NULL, NULL, NULL) != SQLITE_OK) {
        status = book_fail(book, "cannot bring the book up to date", err);
    }
    (void)snprintf(text, sizeof text, "PRAGMA user_version = %zu", version);
    status = status == NW_OK ? book_run(book, text, NULL, 0, err) : status;
    if (status == NW_OK && version == 1) {
        (void)snprintf(text, sizeof text, "PRAGMA application_id = %lld",
                       (long long)APPLICATION_ID);
        status = book_run(book, text, NULL, 0, err);
    }
    status = status == NW_OK ? book_int_of(book, LOOSE, NULL, 0, &n_loose, err) : status;
    if (status == NW_OK && n_loose > n_before) {
        status = nw_err_set(err, NW_FORMAT,
                            "%s: bringing it to version %zu would leave %lld rows that point "
                            "nowhere; it stays as it was",
                            book->path, version, (long long)(n_loose - n_before));
    }
    return status;
}

static enum nw_status version_of(struct nw_book *book, int64_t *ret, struct nw_err *err) {
    return book_int_of(book, "PRAGMA user_version", NULL, 0, ret, err);
}

/* One schema file in one transaction; another program may have been first. */
static enum nw_status migrate_to(struct nw_book *book, size_t version, struct nw_err *err) {
    int64_t found = 0;
    enum nw_status status = book_begin(book, err);
    status = status == NW_OK ? version_of(book, &found, err) : status;
    if (status == NW_OK && found < (int64_t)version) {
        status = run_schema(book, version, err);
    }
    status = status == NW_OK ? book_commit(book, err) : status;
    book_rollback(book); /* nothing to undo after a commit */
    return status;
}

/* A copy of the book as it is, beside it: "book.sqlite.version-1". */
static enum nw_status keep_older(struct nw_book *book, size_t version, struct nw_err *err) {
    int64_t n = 0;
    int64_t found = 0;
    char *copy = NULL;
    char *unsure = NULL; /* until it is known that nobody was faster */
    const size_t size = strlen(book->path) + 40;
    enum nw_status status =
        book_int_of(book, "SELECT EXISTS (SELECT 1 FROM content)", NULL, 0, &n, err);
    if (status != NW_OK || n == 0) {
        return status;
    }
    copy = malloc(size);
    unsure = malloc(size);
    if (!copy || !unsure) {
        status = nw_err_set(err, NW_NOMEM, "%s", book->path);
        goto done;
    }
    (void)snprintf(copy, size, "%s.version-%zu", book->path, version);
    (void)snprintf(unsure, size, "%s.version-%zu.part", book->path, version);
    status = nw_book_backup(book, unsure, err);
    if (status != NW_OK) {
        /* a folder in the way is no fault of what the user said */
        status = nw_err_at(err, status == NW_NOMEM ? NW_NOMEM : NW_IO,
                           "no copy of the older book could be kept: left as it is");
        goto done;
    }
    status = version_of(book, &found, err);
    if (status == NW_OK && found == (int64_t)version && rename(unsure, copy) != 0) {
        status = nw_err_set(err, NW_IO, "%s: cannot be renamed", unsure);
    }
    (void)remove(unsure);
done:
    free(copy);
    free(unsure);
    return status;
}

static enum nw_status migrate(struct nw_book *book, size_t from, struct nw_err *err) {
    enum nw_status status = from > 0 && from < n_migrations() ? keep_older(book, from, err) : NW_OK;
    for (size_t i = from; i < n_migrations() && status == NW_OK; i++) {
        status = migrate_to(book, i + 1, err);
    }
    return status;
}

/* Is this a book, and of which version? A new file is empty: version 0, no application. */
static enum nw_status judge(struct nw_book *book, size_t *ret_version, struct nw_err *err) {
    int64_t application = 0;
    int64_t version = 0;
    int64_t n_tables = 0;
    enum nw_status status = book_int_of(book, "PRAGMA application_id", NULL, 0, &application, err);
    if (status == NW_OK) {
        status = book_int_of(book, "PRAGMA user_version", NULL, 0, &version, err);
    }
    if (status == NW_OK) {
        status = book_int_of(book, "SELECT count(*) FROM sqlite_master", NULL, 0, &n_tables, err);
    }
    if (status != NW_OK) {
        return status;
    }
    const size_t newest = n_migrations();
    if (application != APPLICATION_ID && n_tables > 0) {
        return nw_err_set(err, NW_FORMAT, "%s: is a database but no book", book->path);
    }
    if (version < 0 || (size_t)version > newest) {
        return nw_err_set(err, NW_LIMIT,
                          "%s: is of version %lld, this program knows books up to version %zu: use "
                          "a newer program",
                          book->path, (long long)version, newest);
    }
    if (!book->can_write && (size_t)version < newest) {
        return nw_err_set(err, NW_LIMIT,
                          "%s: is of version %lld, this program reads version %zu: `book add` with "
                          "it once brings it up to date",
                          book->path, (long long)version, newest);
    }
    *ret_version = (size_t)version;
    return NW_OK;
}

/* Numbers of statfs(2) for file systems that other machines write to as well. */
static bool is_on_a_share(const char *path) {
    enum { NFS = 0x6969, SMB = 0x517b, V9FS = 0x01021997, FUSE = 0x65735546 };
    static const uint32_t CIFS = 0xff534d42u;
    static const uint32_t SMB2 = 0xfe534d42u;
    struct statfs fs;
    if (statfs(path, &fs) != 0) {
        return false;
    }
    const uint32_t type = (uint32_t)fs.f_type;
    return type == NFS || type == SMB || type == V9FS || type == FUSE || type == CIFS ||
           type == SMB2;
}

static enum nw_status set_up(struct nw_book *book, struct nw_err *err) {
    size_t version = 0;
    (void)sqlite3_busy_timeout(book->db, BUSY_MS);
    (void)sqlite3_extended_result_codes(book->db, 1);
    enum nw_status status = judge(book, &version, err);
    if (status == NW_OK && book->can_write) {
        status = book_run(book,
                          is_on_a_share(book->path) ? "PRAGMA journal_mode = DELETE"
                                                    : "PRAGMA journal_mode = WAL",
                          NULL, 0, err);
    }
    if (status == NW_OK && book->can_write) {
        status = book_run(book, "PRAGMA synchronous = FULL", NULL, 0, err);
    }
    if (status == NW_OK) {
        status = book_run(book, "PRAGMA foreign_keys = OFF", NULL, 0, err);
    }
    if (status == NW_OK && book->can_write) {
        status = migrate(book, version, err);
    }
    if (status == NW_OK) {
        status = book_run(book, "PRAGMA foreign_keys = ON", NULL, 0, err);
    }
    return status;
}

/* "./" in front of relative names: one that begins "file:" would be read as an address. */
static char *plain_path(const char *path) {
    const size_t size = strlen(path) + 3;
    char *const plain = malloc(size);
    if (plain) {
        (void)snprintf(plain, size, "%s%s", path[0] == '/' ? "" : "./", path);
    }
    return plain;
}

enum nw_status nw_book_open(const char *path, enum nw_book_access access, struct nw_book **ret,
                            struct nw_err *err) {
    static const int FLAGS[] = {
        [NW_BOOK_READ] = SQLITE_OPEN_READONLY,
        [NW_BOOK_WRITE] = SQLITE_OPEN_READWRITE,
        [NW_BOOK_CREATE] = SQLITE_OPEN_READWRITE | SQLITE_OPEN_CREATE,
    };
    struct nw_book *book = nw_calloc(1, sizeof *book);
    char *const plain = plain_path(path);
    enum nw_status status = NW_OK;
    int64_t size = 0;
    int64_t mtime = 0;
    if (!book || !plain || !(book->path = nw_strdup(path))) {
        status = nw_err_set(err, NW_NOMEM, "%s", path);
        goto done;
    }
    book->can_write = access != NW_BOOK_READ;
    if (access != NW_BOOK_CREATE) {
        status = nw_file_stat(path, &size, &mtime, err);
        if (status == NW_NOTFOUND) {
            status = nw_err_set(err, status, "%s: no book there (`book add` makes one)", path);
        }
    }
    if (status == NW_OK && sqlite3_open_v2(plain, &book->db, FLAGS[access], NULL) != SQLITE_OK) {
        status =
            book->db ? book_fail(book, "cannot open", err) : nw_err_set(err, NW_NOMEM, "%s", path);
    }
    if (status == NW_OK) {
        status = set_up(book, err);
    }
    if (status == NW_OK) {
        *ret = book;
        book = NULL;
    }
done:
    free(plain);
    nw_book_close(book);
    return status;
}

void nw_book_close(struct nw_book *book) {
    if (!book) {
        return;
    }
    if (book->db) {
        (void)sqlite3_close(book->db);
    }
    free(book->path);
    free(book);
}
