/* trial_back.c - trials that the book found and the owner took back: see told.h.
 * The rows stay, without a value and with BOOK_TAKEN_BACK as their verdict: that is how a later
 * look knows not to find them again. A document that tells of a trial stays as well, so that the
 * same file is not taken anew; a focal surface that was found goes. */
#include "book/told.h"

#include "book/book_internal.h"

enum nw_status nw_book_has_trial(struct nw_book *book, const struct nw_book_trial *trial, bool *ret,
                                 struct nw_err *err) {
    const struct book_value values[] = {book_text(trial->name),     book_text(trial->setup),
                                        book_text(trial->rig_name), book_real(trial->t_first_s),
                                        book_real(trial->t_last_s), book_size(trial->n_frames)};
    int64_t n = 0;
    const enum nw_status status = book_int_of(
        book,
        "SELECT count(*) FROM trial_result WHERE name = ?1 AND setup = ?2 AND rig_name = ?3 AND "
        "t_utc_s BETWEEN ?4 - 1 AND ?5 + 1 AND (n_frames = ?6 OR verdict = '" BOOK_TAKEN_BACK "')",
        values, 6, &n, err);
    *ret = n > 0;
    return status;
}

/* All rows of the trial that row ?1 is one of. */
#define ROWS_OF_IT                                                                                 \
    "(SELECT t.id FROM trial_result AS t JOIN trial_result AS one ON one.id = ?1 WHERE t.name = "  \
    "one.name AND t.rig_name = one.rig_name AND t.setup = one.setup AND abs(t.t_utc_s - "          \
    "one.t_utc_s) < 0.5)"

/* The content of a document that the rows rest on; 0: none. */
static enum nw_status document_of(struct nw_book *book, int64_t id, bool is_surface, int64_t *ret,
                                  struct nw_err *err) {
    const struct book_value values[] = {book_int(id), book_int(is_surface)};
    *ret = 0;
    return book_int_of(book,
                       "SELECT content_id FROM document WHERE (command = 'surface') = ?2 AND id IN "
                       "(SELECT document_id FROM trial_result WHERE id IN " ROWS_OF_IT ")",
                       values, 2, ret, err);
}

static enum nw_status drop_content(struct nw_book *book, int64_t content, struct nw_err *err) {
    const struct book_value value = book_int(content);
    return book_run(book, "DELETE FROM content WHERE id = ?1", &value, 1, err);
}

static enum nw_status take_back(struct nw_book *book, int64_t id, const char *why,
                                struct nw_err *err) {
    const struct book_value values[] = {book_int(id), book_text(why)};
    int64_t surface = 0;
    enum nw_status status = document_of(book, id, true, &surface, err);
    if (status == NW_OK) {
        status =
            book_run(book, "DELETE FROM trial_frame WHERE trial_id IN " ROWS_OF_IT, values, 1, err);
    }
    if (status == NW_OK && surface != 0) { /* or it would take the rows with it */
        status =
            book_run(book, "UPDATE trial_result SET document_id = NULL WHERE id IN " ROWS_OF_IT,
                     values, 1, err);
    }
    if (status == NW_OK) {
        status =
            book_run(book,
                     "UPDATE trial_result SET value = NULL, sigma = NULL, low = NULL, high = "
                     "NULL, verdict = '" BOOK_TAKEN_BACK "', why_null = ?2 WHERE id IN " ROWS_OF_IT,
                     values, 2, err);
    }
    return status == NW_OK && surface != 0 ? drop_content(book, surface, err) : status;
}

enum nw_status nw_book_take_back_trial(struct nw_book *book, int64_t id, const char *why,
                                       struct nw_err *err) {
    const struct book_value value = book_int(id);
    char text[200];
    int64_t n = 0;
    (void)snprintf(text, sizeof text, "taken back by you%s%.150s", why[0] != '\0' ? ": " : "", why);
    enum nw_status status = book_begin(book, err);
    if (status == NW_OK) {
        status = book_int_of(book, "SELECT count(*) FROM trial_result WHERE id = ?1", &value, 1, &n,
                             err);
    }
    if (status == NW_OK && n == 0) {
        status =
            nw_err_set(err, NW_NOTFOUND, "no trial has the number %lld; `book trials` lists them",
                       (long long)id);
    }
    status = status == NW_OK ? take_back(book, id, text, err) : status;
    status = status == NW_OK ? book_commit(book, err) : status;
    book_rollback(book);
    return status;
}

/* A document that told of it is told anew by keeping or adding it again. */
enum nw_status nw_book_restore_trial(struct nw_book *book, int64_t id, struct nw_err *err) {
    const struct book_value value = book_int(id);
    int64_t n = 0;
    int64_t document = 0;
    enum nw_status status = book_begin(book, err);
    if (status == NW_OK) {
        status = book_int_of(book,
                             "SELECT count(*) FROM trial_result WHERE id = ?1 AND verdict = "
                             "'" BOOK_TAKEN_BACK "'",
                             &value, 1, &n, err);
    }
    if (status == NW_OK && n == 0) {
        status = nw_err_set(err, NW_NOTFOUND,
                            "trial %lld is none that was taken back; `book trials` lists them",
                            (long long)id);
    }
    status = status == NW_OK ? document_of(book, id, false, &document, err) : status;
    if (status == NW_OK) {
        status = book_run(book, "DELETE FROM trial_result WHERE id IN " ROWS_OF_IT, &value, 1, err);
    }
    status = status == NW_OK && document != 0 ? drop_content(book, document, err) : status;
    status = status == NW_OK ? book_commit(book, err) : status;
    book_rollback(book);
    return status;
}

enum nw_status nw_book_trial_document(struct nw_book *book, const struct nw_book_trial *trial,
                                      int64_t content, struct nw_err *err) {
    const struct book_value values[] = {book_text(trial->name),     book_text(trial->setup),
                                        book_text(trial->rig_name), book_real(trial->t_first_s),
                                        book_real(trial->t_last_s), book_int(content)};
    return book_run(book,
                    "UPDATE trial_result SET document_id = (SELECT id FROM document WHERE "
                    "content_id = ?6) WHERE name = ?1 AND setup = ?2 AND rig_name = ?3 AND t_utc_s "
                    "BETWEEN ?4 - 1 AND ?5 + 1 AND origin <> 'owner'",
                    values, 6, err);
}

enum nw_status nw_book_has_surface(struct nw_book *book, const char *rig_name, const char *setup,
                                   double t_first_s, bool *ret, struct nw_err *err) {
    const struct book_value values[] = {book_text(rig_name), book_text(setup),
                                        book_real(t_first_s)};
    int64_t n = 0;
    const enum nw_status status = book_int_of(
        book,
        "SELECT count(*) FROM document WHERE command = 'surface' AND rig_name = ?1 AND setup = ?2 "
        "AND t_utc_s BETWEEN ?3 - 1 AND ?3 + 1 AND NOT EXISTS (SELECT 1 FROM trial_result WHERE "
        "document_id = document.id)",
        values, 3, &n, err);
    *ret = n > 0;
    return status;
}
