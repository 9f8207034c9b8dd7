/* table.c - see table.h; numbers from columns are in columns.c.
 * Idea: libcsv knows quoting but neither lines, comments nor blank lines, so physical lines are
 * split here, counted, and fed to it one by one in strict mode.
 * Holds: 1. all cells lie behind each other in one pool, terminated; a cell needs no more room than
 * it has in the file, since its separator pays for its terminator.  2. cells[row * n_columns + c]
 * is the place of a cell in the pool; row 0 is the header.  3. lines[row] is its physical line. */
#include "base/table.h"

#include <csv.h>
#include <stdint.h>

#include "base/base_internal.h"
#include "base/buf.h"
#include "base/file.h"
#include "base/table_internal.h"
#include "base/text.h"

enum {
    BYTES_MAX = 64 << 20,
    ROWS_MAX = 2000000,
    COLUMNS_MAX = 256,
    CELLS_MAX = BYTES_MAX + 1,
    METAS_MAX = 10000
};

/* What the parser's callbacks work on. */
struct feed {
    struct nw_table *table;
    size_t line_no, n_in_row, n_records;
    enum nw_status status;
    struct nw_err *err;
};

static void take_cell(void *bytes, size_t len, void *user) {
    struct feed *const feed = user;
    struct nw_table *const table = feed->table;
    if (feed->status != NW_OK) {
        return;
    }
    void *cells = table->cells;
    feed->status = nw_grow(&cells, &table->cap_cells, table->n_cells + 1, sizeof *table->cells,
                           CELLS_MAX, feed->err);
    table->cells = cells;
    if (feed->status != NW_OK) {
        return;
    }
    table->cells[table->n_cells++] = (uint32_t)table->pool_len;
    if (len > 0) {
        memcpy(table->pool + table->pool_len, bytes, len);
    }
    table->pool_len += len;
    table->pool[table->pool_len++] = '\0';
    feed->n_in_row++;
}

static void take_record(int end, void *user) {
    (void)end;
    struct feed *const feed = user;
    feed->n_records++;
}

static enum nw_status fail_at(const struct feed *feed, enum nw_status status, const char *what) {
    return nw_err_set(feed->err, status, "%s:%zu: %s", feed->table->name, feed->line_no, what);
}

static enum nw_status check_header(const struct feed *feed) {
    const struct nw_table *const table = feed->table;
    if (feed->n_in_row > COLUMNS_MAX) {
        return nw_err_set(feed->err, NW_LIMIT, "%s:%zu: %zu columns, at most %d are read",
                          table->name, feed->line_no, feed->n_in_row, COLUMNS_MAX);
    }
    for (size_t c = 0; c < feed->n_in_row; c++) {
        const char *const name = table->pool + table->cells[c];
        char quoted[BASE_QUOTE_BYTES];
        base_quote(quoted, name);
        double number = 0.0;
        if (*name == '\0') {
            return nw_err_set(feed->err, NW_FORMAT, "%s:%zu: column %zu has no name", table->name,
                              feed->line_no, c + 1);
        }
        if (nw_text_to_double(name, &number)) {
            return nw_err_set(feed->err, NW_FORMAT,
                              "%s:%zu: no header row, \"%s\" is a number where the name of column "
                              "%zu was expected",
                              table->name, feed->line_no, quoted, c + 1);
        }
        for (size_t other = 0; other < c; other++) {
            if (nw_text_equal_nocase(name, table->pool + table->cells[other])) {
                return nw_err_set(feed->err, NW_FORMAT,
                                  "%s:%zu: columns %zu and %zu are both named \"%s\"", table->name,
                                  feed->line_no, other + 1, c + 1, quoted);
            }
        }
    }
    return NW_OK;
}

/* The record just taken becomes the header or a row. */
static enum nw_status close_record(const struct feed *feed) {
    struct nw_table *const table = feed->table;
    if (table->n_lines == 0) {
        const enum nw_status status = check_header(feed);
        if (status != NW_OK) {
            return status;
        }
        table->n_columns = feed->n_in_row;
    } else if (feed->n_in_row != table->n_columns) {
        return nw_err_set(
            feed->err, NW_FORMAT, "%s:%zu: %zu cells, expected %zu as in the header on line %zu",
            table->name, feed->line_no, feed->n_in_row, table->n_columns, (size_t)table->lines[0]);
    }
    void *lines = table->lines;
    const enum nw_status status = nw_grow(&lines, &table->cap_lines, table->n_lines + 1,
                                          sizeof *table->lines, ROWS_MAX + 1, NULL);
    table->lines = lines;
    if (status == NW_LIMIT) {
        return nw_err_set(feed->err, NW_LIMIT, "%s:%zu: more than %d rows", table->name,
                          feed->line_no, ROWS_MAX);
    }
    if (status == NW_OK) {
        table->lines[table->n_lines++] = (uint32_t)feed->line_no;
    }
    return status == NW_OK ? NW_OK : fail_at(feed, status, "out of memory");
}

static enum nw_status feed_record(struct csv_parser *parser, struct feed *feed, const char *line,
                                  size_t len) {
    feed->n_in_row = 0;
    feed->n_records = 0;
    const size_t used = csv_parse(parser, line, len, take_cell, take_record, feed);
    if (used != len || csv_fini(parser, take_cell, take_record, feed) != 0) {
        return csv_error(parser) == CSV_ENOMEM
                   ? fail_at(feed, NW_NOMEM, "out of memory")
                   : fail_at(feed, NW_FORMAT,
                             "stray or unclosed quote, expected \"...\" around a whole cell on "
                             "one line");
    }
    if (feed->status != NW_OK) {
        return nw_err_at(feed->err, feed->status, "%s:%zu", feed->table->name, feed->line_no);
    }
    return feed->n_records == 0 ? NW_OK : close_record(feed);
}

static bool is_key_byte(char c) {
    return (c >= 'A' && c <= 'Z') || (c >= 'a' && c <= 'z') || base_is_digit(c) || c == '_' ||
           c == '-' || c == '.';
}

/* "# key: value" is kept; any other comment is left out. The key is one word. */
static enum nw_status take_comment(const struct feed *feed, const char *line, size_t len) {
    struct nw_table *const table = feed->table;
    const char *const end = line + len;
    const char *key = line;
    while (key < end && (*key == '#' || *key == ' ' || *key == '\t')) {
        key++;
    }
    const char *key_end = key;
    while (key_end < end && is_key_byte(*key_end)) {
        key_end++;
    }
    if (key_end == end || *key_end != ':' || key_end == key || base_is_digit(*key)) {
        return NW_OK;
    }
    const char *value = key_end + 1;
    while (value < end && (*value == ' ' || *value == '\t')) {
        value++;
    }
    const char *value_end = end;
    while (value_end > value && (value_end[-1] == ' ' || value_end[-1] == '\t')) {
        value_end--;
    }
    void *metas = table->metas;
    const enum nw_status status = nw_grow(&metas, &table->cap_metas, table->n_metas + 1,
                                          sizeof *table->metas, METAS_MAX, feed->err);
    table->metas = metas;
    if (status != NW_OK) {
        return nw_err_at(feed->err, status, "%s:%zu: header lines", table->name, feed->line_no);
    }
    struct base_meta *const meta = &table->metas[table->n_metas];
    meta->key = strndup(key, (size_t)(key_end - key));
    meta->value = strndup(value, (size_t)(value_end - value));
    meta->line = feed->line_no;
    table->n_metas++; /* counted even when half made: nw_table_free looks after it */
    return meta->key && meta->value ? NW_OK : fail_at(feed, NW_NOMEM, "out of memory");
}

static enum nw_status take_line(struct csv_parser *parser, struct feed *feed, const char *line,
                                size_t len) {
    if (len > 0 && line[len - 1] == '\r') {
        len--;
    }
    size_t blanks = 0;
    while (blanks < len && (line[blanks] == ' ' || line[blanks] == '\t')) {
        blanks++;
    }
    if (memchr(line, '\0', len)) {
        return fail_at(feed, NW_FORMAT, "NUL byte, expected UTF-8 text (is it UTF-16?)");
    }
    if (memchr(line, '\r', len)) {
        return fail_at(feed, NW_FORMAT, "carriage return inside a line, expected LF or CR LF ends");
    }
    if (!nw_text_is_utf8(line, len)) {
        return fail_at(feed, NW_FORMAT, "bytes that are not UTF-8 text");
    }
    if (blanks == len) {
        return NW_OK;
    }
    return line[blanks] == '#' ? take_comment(feed, line, len)
                               : feed_record(parser, feed, line, len);
}

static enum nw_status take_lines(struct csv_parser *parser, struct feed *feed, const char *data,
                                 size_t len) {
    size_t at = len >= 3 && memcmp(data, "\xEF\xBB\xBF", 3) == 0 ? 3 : 0;
    while (at < len) {
        const char *const newline = memchr(data + at, '\n', len - at);
        const size_t n = newline ? (size_t)(newline - (data + at)) : len - at;
        feed->line_no++;
        const enum nw_status status = take_line(parser, feed, data + at, n);
        if (status != NW_OK) {
            return status;
        }
        at += n + 1;
    }
    if (feed->table->n_lines == 0) {
        return nw_err_set(feed->err, NW_FORMAT,
                          "%s: no header row, expected a line of column names", feed->table->name);
    }
    return NW_OK;
}

enum nw_status nw_table_parse(const char *name, const char *data, size_t len, struct nw_table **ret,
                              struct nw_err *err) {
    if (len > BYTES_MAX) {
        return nw_err_set(err, NW_LIMIT, "%s: %zu bytes, at most %d are read", name, len,
                          BYTES_MAX);
    }
    struct csv_parser parser;
    if (csv_init(&parser, CSV_STRICT | CSV_STRICT_FINI) != 0) {
        return nw_err_set(err, NW_NOMEM, "%s: out of memory", name);
    }
    csv_set_blk_size(&parser, 4096); /* its buffer grows by this much, not by a factor */
    enum nw_status status = NW_OK;
    struct nw_table *table = nw_calloc(1, sizeof *table);
    if (table) {
        table->name = nw_strdup(name);
        table->pool = malloc(len + 1);
    }
    if (!table || !table->name || !table->pool) {
        status = nw_err_set(err, NW_NOMEM, "%s: %zu bytes", name, len);
        goto done;
    }
    struct feed feed = {.table = table, .status = NW_OK, .err = err};
    status = take_lines(&parser, &feed, data, len);
    if (status == NW_OK) {
        *ret = table;
        table = NULL; /* handed over */
    }
done:
    csv_free(&parser);
    nw_table_free(table);
    return status;
}

enum nw_status nw_table_read(const char *path, struct nw_table **ret, struct nw_err *err) {
    char *data = NULL;
    size_t len = 0;
    enum nw_status status = nw_file_read(path, BYTES_MAX, &data, &len, err);
    if (status == NW_OK) {
        status = nw_table_parse(path, data, len, ret, err);
    }
    free(data);
    return status;
}

void nw_table_free(struct nw_table *table) {
    if (!table) {
        return;
    }
    for (size_t i = 0; i < table->n_metas; i++) {
        free(table->metas[i].key);
        free(table->metas[i].value);
    }
    free(table->metas);
    free(table->lines);
    free(table->cells);
    free(table->pool);
    free(table->name);
    free(table);
}
