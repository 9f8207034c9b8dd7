/* given.c - what stands on the command line beyond its kinds: the rig, dates, numbers, options that
 * do not belong to the verb. */
#include "cli/cli.h"

enum nw_status cli_read_rig(const struct cli_args *args, struct nw_rig **ret_rig,
                            const struct nw_setup **ret_setup, struct nw_err *err) {
    size_t n_set = 0;
    const char *const *const set = cli_texts(args, "set", &n_set);
    const enum nw_status status = nw_rig_read(cli_arg(args, 0), set, n_set, ret_rig, err);
    return status == NW_OK && ret_setup
               ? nw_rig_find_setup(*ret_rig, cli_text(args, "setup"), ret_setup, err)
               : status;
}

enum nw_status cli_read_date(const char *option, const char *text, double *ret_s,
                             struct nw_err *err) {
    char with_time[32];
    const bool is_form = text && strlen(text) == 10 && text[4] == '-' && text[7] == '-';
    if (is_form) {
        (void)snprintf(with_time, sizeof with_time, "%.10sT00:00:00Z", text);
    }
    if (!is_form || nw_time_read_iso(with_time, 0.0, ret_s, err) != NW_OK) {
        return nw_err_set(err, NW_USAGE, "--%s is '%.40s', expected a date that exists, as %s",
                          option, text ? text : "", "2026-06-14");
    }
    if (!(*ret_s > -6e8 && *ret_s < 4.1e9)) { /* 1951 to 2099: the theories hold, ERFA's dates do */
        return nw_err_set(err, NW_USAGE, "--%s is '%.40s', expected a date from 1951 to 2099",
                          option, text);
    }
    return NW_OK;
}

enum nw_status cli_check_numbers(const struct cli_args *args, const char *option, size_t n,
                                 const char *things, struct nw_err *err) {
    size_t n_given = 0;
    const char *const *const given = cli_texts(args, option, &n_given);
    for (size_t i = 0; i < n_given; i++) {
        double value;
        if (!nw_text_to_double(given[i], &value)) {
            return nw_err_set(err, NW_USAGE, "--%s: '%.40s' is no number", option, given[i]);
        }
    }
    return n_given == 0 || n_given == n ? NW_OK
                                        : nw_err_set(err, NW_USAGE, "--%s: %zu numbers for %zu %s",
                                                     option, n_given, n, things);
}

/* Is the word one of those in `words`, which blanks separate? */
static bool is_word_of(const char *word, const char *words) {
    const size_t len = strlen(word);
    for (const char *at = words; *at;) {
        at += strspn(at, " ");
        const size_t n = strcspn(at, " ");
        if (n == len && strncmp(at, word, n) == 0) {
            return true;
        }
        at += n;
    }
    return false;
}

enum nw_status cli_takes_only(const struct cli_args *args, const char *verb, const char *takes,
                              const struct cli_option *options, struct nw_err *err) {
    for (const struct cli_option *o = options; o->name; o++) {
        if (cli_given(args, o->name) && strcmp(o->name, "book") != 0 &&
            !is_word_of(o->name, takes)) {
            return nw_err_set(err, NW_USAGE, "--%s does not belong to %s; it takes: %s", o->name,
                              verb, takes[0] != '\0' ? takes : "no options of its own");
        }
    }
    return NW_OK;
}
