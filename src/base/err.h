/* err.h - status of a fallible call, and the text that explains it.
 * A status means: there is no result. Quality of a result is a flag; not measured is NaN. */
#ifndef NW_ERR_H
#define NW_ERR_H

#if defined(__GNUC__)
#define NW_CHECKED __attribute__((warn_unused_result))
#define NW_PRINTF(fmt_at, args_at) __attribute__((format(printf, fmt_at, args_at)))
#else
#define NW_CHECKED
#define NW_PRINTF(fmt_at, args_at)
#endif

/* name, number, what it means. Bad input (exit 2): DOMAIN, FORMAT, NOTFOUND, USAGE, LIMIT. */
#define NW_STATUS_LIST(X)                                                                          \
    X(OK, 0, "no error")                                                                           \
    X(DOMAIN, 1, "argument outside its range")                                                     \
    X(NOMEM, 2, "out of memory")                                                                   \
    X(IO, 3, "the operating system refused")                                                       \
    X(FORMAT, 4, "input is not in the expected form")                                              \
    X(NOTFOUND, 5, "no such file, name or key")                                                    \
    X(LIMIT, 6, "input exceeds a limit of this program")                                           \
    X(DATA, 7, "the data do not determine a result")                                               \
    X(USAGE, 8, "wrong usage of a command")

enum nw_status {
#define X(name, number, text) NW_##name = (number),
    NW_STATUS_LIST(X)
#undef X
};

/* The caller's; NULL is allowed wherever one is taken. */
struct nw_err {
    enum nw_status status;
    char text[480];
};

/* Sets status and text, hands the status back so that failing is one line:
 *     return nw_err_set(err, NW_DOMAIN, "radius %g px is not > 0", r_px);
 * The text: lower case, no full stop, fault first, with values and units. */
enum nw_status nw_err_set(struct nw_err *err, enum nw_status status, const char *format, ...)
    NW_PRINTF(3, 4);

/* Puts the place in front of an existing text ("rig.yaml:12: ..."); hands the status back. */
enum nw_status nw_err_at(struct nw_err *err, enum nw_status status, const char *format, ...)
    NW_PRINTF(3, 4);

#ifdef __clang_analyzer__
/* The static analyser sees one file at a time: tell it that the status comes back unchanged, or it
 * believes that a failing call may return NW_OK. */
#define nw_err_set(err, status, ...) ((void)(nw_err_set)((err), (status), __VA_ARGS__), (status))
#define nw_err_at(err, status, ...) ((void)(nw_err_at)((err), (status), __VA_ARGS__), (status))
#endif

/* The fixed sentence of a status; never NULL. */
const char *nw_status_text(enum nw_status status);

#endif
