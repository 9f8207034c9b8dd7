/* told.h - a public header of book: what trials told and what was advised, kept so that the next
 * look at the nights takes it up. Numbers in SI and radians; NaN: not told. */
#ifndef NW_BOOK_TOLD_H
#define NW_BOOK_TOLD_H

#include "book/book.h"

/* ---- Rig files ---------------------------------------------------------------------------- */

/* The number of a rig file as it is now; it is added when the book has it not. 0: it cannot be
 * read as a rig file. */
enum nw_status nw_book_rig_version(struct nw_book *book, const char *path,
                                   const struct nw_book_add_opts *opts, int64_t *ret,
                                   struct nw_err *err) NW_CHECKED;
/* Its text, yours to free, and when the book took it (may be NULL); NULL: no such version. */
enum nw_status nw_book_rig_text(struct nw_book *book, int64_t version, char **ret,
                                double *ret_added_utc_s, struct nw_err *err) NW_CHECKED;
/* The text of the rig file that came last; NULL: none. *ret_version 0 then. */
enum nw_status nw_book_last_rig(struct nw_book *book, char **ret, int64_t *ret_version,
                                struct nw_err *err) NW_CHECKED;

/* ---- Trials ------------------------------------------------------------------------------- */

#define NW_BOOK_ORIGIN_LIST(X)                                                                     \
    X(OWNER, "owner") /* told by a command of the owner */                                         \
    X(ADD, "add")     /* found when files were added */                                            \
    X(WATCH, "watch")
enum nw_book_origin {
#define X(name, word) NW_BOOK_FROM_##name,
    NW_BOOK_ORIGIN_LIST(X)
#undef X
};

/* One quantity that one trial told. */
struct nw_book_trial {
    int64_t id; /* written by the book */
    char name[32], quantity[48], unit[12];
    char rig_name[72], setup[72], filter[32];
    char camera[72]; /* of its frames, "": any; not read back */
    enum nw_book_origin origin;
    bool is_taken_back;         /* by the owner: no trial, and not found again */
    int64_t rig_version;        /* 0: not known */
    double t_first_s, t_last_s; /* of its frames; reading: both the middle */
    double value, sigma, low, high, foretold, foretold_sigma;
    size_t n_frames;
    char verdict[300], why_null[200];
};
/* Writes it, or over what the book has of this trial, rig, setup, filter, middle and quantity;
 * `frame_starts_s`: starts of the frames that it rests on, n of them. *ret_is_new (may be NULL):
 * the book had it not. Nothing is written of one that the owner took back or has told
 * of himself. */
enum nw_status nw_book_put_trial(struct nw_book *book, const struct nw_book_trial *trial,
                                 const double *frame_starts_s, size_t n, bool *ret_is_new,
                                 struct nw_err *err) NW_CHECKED;
/* Is it in the book as it is, or taken back? Then it need not be evaluated again: a row of its
 * name, rig and setup within its times, of as many frames. */
enum nw_status nw_book_has_trial(struct nw_book *book, const struct nw_book_trial *trial, bool *ret,
                                 struct nw_err *err) NW_CHECKED;
/* Trial `id` was none: its rows (all quantities of that moment) tell nothing from now on, its
 * frames are usual ones again, the focal surface that was found with it goes, and what is added
 * later does not find it again. `why` may be "". NOTFOUND. */
enum nw_status nw_book_take_back_trial(struct nw_book *book, int64_t id, const char *why,
                                       struct nw_err *err) NW_CHECKED;
/* Takes that back: the next look finds it. NOTFOUND: no such row, or none taken back. */
enum nw_status nw_book_restore_trial(struct nw_book *book, int64_t id,
                                     struct nw_err *err) NW_CHECKED;
/* The surface document `content` was found with the rows of this trial and goes with them. */
enum nw_status nw_book_trial_document(struct nw_book *book, const struct nw_book_trial *trial,
                                      int64_t content, struct nw_err *err) NW_CHECKED;
/* Does the book have a surface about frames from this moment on that the owner kept himself? */
enum nw_status nw_book_has_surface(struct nw_book *book, const char *rig_name, const char *setup,
                                   double t_first_s, bool *ret, struct nw_err *err) NW_CHECKED;
/* In order of time; bounds as of nw_book_nights. */
enum nw_status nw_book_trials(struct nw_book *book, const char *from, const char *to,
                              struct nw_book_trial **ret, size_t *ret_n,
                              struct nw_err *err) NW_CHECKED;
/* The focal surface that was kept last of a setup of a rig (`surface --keep`), at the sensor;
 * n_frames 0: none with tilt and curvature. */
struct nw_book_surface {
    double t_utc_s; /* of its first frame */
    double tilt_m, tilt_sigma_m, direction_rad, direction_sigma_rad;
    double curvature_m, curvature_sigma_m, astigmatism_m, astigmatism_sigma_m; /* at a corner */
    size_t n_frames;
    int64_t rig_version; /* the rig file of that name that the book had then; 0: none */
};
enum nw_status nw_book_last_surface(struct nw_book *book, const char *rig_name, const char *setup,
                                    struct nw_book_surface *ret, struct nw_err *err) NW_CHECKED;
/* Starts of the frames that speak through their trial alone: trails, pairs about focus, five-second
 * frames, and subs of at most 10 s of short-and-long. Ascending. */
struct nw_book_starts {
    double *items;
    size_t n, cap;
};
enum nw_status nw_book_trial_starts(struct nw_book *book, struct nw_book_starts *ret,
                                    struct nw_err *err) NW_CHECKED;
void nw_book_starts_done(struct nw_book_starts *starts);
/* Evenings of the nights of which frames or guide runs came at this moment or later (the
 * now_utc_s of nw_book_add); in order. */
struct nw_book_dates {
    char (*items)[NW_BOOK_DATE];
    size_t n, cap;
};
enum nw_status nw_book_dates_since(struct nw_book *book, double added_utc_s,
                                   struct nw_book_dates *ret, struct nw_err *err) NW_CHECKED;
/* Of all nights; bounds as of nw_book_nights. */
enum nw_status nw_book_dates_between(struct nw_book *book, const char *from, const char *to,
                                     struct nw_book_dates *ret, struct nw_err *err) NW_CHECKED;
void nw_book_dates_done(struct nw_book_dates *dates);
/* Light frames of a night that show too few stars to be measured, at most 60 s long, with a place:
 * what a standing mount leaves. Those that came at `added_utc_s` or later (-INFINITY: all). */
struct nw_book_blank {
    char *path;
    char camera[72];
    double t_start_utc_s;
};
struct nw_book_blanks {
    struct nw_book_blank *items;
    size_t n, cap;
};
enum nw_status nw_book_blank_frames(struct nw_book *book, const char *date, double added_utc_s,
                                    struct nw_book_blanks *ret, struct nw_err *err) NW_CHECKED;
void nw_book_blanks_done(struct nw_book_blanks *blanks);

/* ---- Advice ------------------------------------------------------------------------------- */

#define NW_BOOK_OUTCOME_LIST(X)                                                                    \
    X(OPEN, "open") /* not done yet */                                                             \
    X(HELD, "held")                                                                                \
    X(REFUTED, "refuted")                                                                          \
    X(CANNOT_TELL, "cannot tell") /* done, and not told yet */
enum nw_book_outcome {
#define X(name, word) NW_BOOK_##name,
    NW_BOOK_OUTCOME_LIST(X)
#undef X
};
const char *nw_book_outcome_word(enum nw_book_outcome outcome);

/* What was advised of one change, with what it foretold of the mean width. */
struct nw_book_advice {
    int64_t id;
    char date[NW_BOOK_DATE]; /* of the night it rests on */
    char rig_name[72], setup[72], filter[32];
    char what[96]; /* the change's name */
    char line[32]; /* of the star width that it changes most: "air_above" */
    char path[96], old_value[80], new_value[80]; /* first key of it */
    char text[400];
    double made_utc_s;
    int64_t rig_version;
    double before_rad, predicted_rad, sigma_rad; /* sigma of the difference */
    double refuted_below_rad;                    /* a fall of less than this refutes it */
    enum nw_book_outcome outcome;
    double came_rad, came_sigma_rad; /* the change that came; rad^2 stays with the words */
    char outcome_text[480];
};
/* Keeps it; the same of the same night takes its place while it is open. */
enum nw_status nw_book_put_advice(struct nw_book *book, const struct nw_book_advice *advice,
                                  struct nw_err *err) NW_CHECKED;
/* Of a setup of a rig, oldest first. */
enum nw_status nw_book_advice(struct nw_book *book, const char *rig_name, const char *setup,
                              struct nw_book_advice **ret, size_t *ret_n,
                              struct nw_err *err) NW_CHECKED;
/* Writes outcome, came_rad, came_sigma_rad and outcome_text of the row `id`. */
enum nw_status nw_book_judge_advice(struct nw_book *book, const struct nw_book_advice *advice,
                                    double now_utc_s, struct nw_err *err) NW_CHECKED;

#endif
