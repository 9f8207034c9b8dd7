/* catalogue_key.c - one spelling for the many ways of writing a name.
 * Idea: capitals, no blanks and signs between words, no leading zeros, Greek letters as words,
 * long names of lists by their short ones. Signs between digits stay (SNR G120.2+01.4). */
#include "sky/catalogue_internal.h"

static const struct {
    const char *from, *to;
} GREEK[] = {
    {"\xCE\xB1", "ALPHA"}, {"\xCE\xB2", "BETA"},    {"\xCE\xB3", "GAMMA"},
    {"\xCE\xB4", "DELTA"}, {"\xCE\xB5", "EPSILON"}, {"\xCE\xB6", "ZETA"},
    {"\xCE\xB7", "ETA"},   {"\xCE\xB8", "THETA"},   {"\xCE\xB9", "IOTA"},
    {"\xCE\xBA", "KAPPA"}, {"\xCE\xBB", "LAMBDA"},  {"\xCE\xBC", "MU"},
    {"\xCE\xBD", "NU"},    {"\xCE\xBE", "XI"},      {"\xCE\xBF", "OMICRON"},
    {"\xCF\x80", "PI"},    {"\xCF\x81", "RHO"},     {"\xCF\x83", "SIGMA"},
    {"\xCF\x84", "TAU"},   {"\xCF\x85", "UPSILON"}, {"\xCF\x86", "PHI"},
    {"\xCF\x87", "CHI"},   {"\xCF\x88", "PSI"},     {"\xCF\x89", "OMEGA"},
};
/* At the beginning, before a digit (lists) or before letters (Greek abbreviations). */
static const struct {
    const char *from, *to;
    bool is_list;
} SHORT[] = {
    {"MESSIER", "M", true},       {"CALDWELL", "C", true},    {"SHARPLESS", "SH2", true},
    {"BARNARD", "B", true},       {"COLLINDER", "CR", true},  {"ABELL", "ACO", true},
    {"VANDENBERGH", "VDB", true}, {"CEDERBLAD", "CED", true}, {"ALF", "ALPHA", false},
    {"ALP", "ALPHA", false},      {"BET", "BETA", false},     {"GAM", "GAMMA", false},
    {"DEL", "DELTA", false},      {"EPS", "EPSILON", false},  {"ZET", "ZETA", false},
    {"THE", "THETA", false},      {"IOT", "IOTA", false},     {"KAP", "KAPPA", false},
    {"LAM", "LAMBDA", false},     {"OMI", "OMICRON", false},  {"SIG", "SIGMA", false},
    {"UPS", "UPSILON", false},    {"OME", "OMEGA", false},    {"KSI", "XI", false},
};

static bool is_digit(char c) {
    return c >= '0' && c <= '9';
}

/* Capitals and Greek; what is left out between two digits becomes '-'. */
static size_t simplify(const char *name, char to[NW_KEY_SIZE]) {
    size_t n = 0;
    bool is_gap = false;
    while (*name && n + 9 < NW_KEY_SIZE) {
        const char *word = NULL;
        for (size_t i = 0; i < sizeof GREEK / sizeof GREEK[0] && !word; i++) {
            word = strncmp(name, GREEK[i].from, 2) == 0 ? GREEK[i].to : NULL;
        }
        if (word) {
            n += (size_t)snprintf(to + n, NW_KEY_SIZE - n, "%s", word);
            name += 2;
            is_gap = false;
            continue;
        }
        const char c = *name >= 'a' && *name <= 'z' ? (char)(*name - 'a' + 'A') : *name;
        name++;
        const bool is_kept = is_digit(c) || (c >= 'A' && c <= 'Z') || c == '+' || c == '.' ||
                             (unsigned char)c >= 0x80;
        if (!is_kept) {
            is_gap = true;
            continue;
        }
        const bool is_after_digit = n > 0 && is_digit(to[n - 1]);
        if (is_gap && is_digit(c) && is_after_digit) {
            to[n++] = '-';
        }
        is_gap = false;
        if (is_digit(c) && n > 0 && to[n - 1] == '0' && (n < 2 || !is_digit(to[n - 2])) &&
            (n < 2 || to[n - 2] != '.')) {
            n--; /* a leading zero */
        }
        to[n++] = c;
    }
    to[n] = '\0';
    return *name ? 0 : n;
}

bool nw_catalogue_key(const char *name, char ret[NW_KEY_SIZE]) {
    char plain[NW_KEY_SIZE];
    const size_t n = simplify(name, plain);
    if (n == 0) {
        return false;
    }
    for (size_t i = 0; i < sizeof SHORT / sizeof SHORT[0]; i++) {
        const size_t len = strlen(SHORT[i].from);
        if (strncmp(plain, SHORT[i].from, len) != 0) {
            continue;
        }
        const char next = plain[len];
        /* a list needs its number; a Greek abbreviation three letters or a number and them */
        const bool fits =
            SHORT[i].is_list ? is_digit(next) : n - len == 3 || (n - len == 4 && is_digit(next));
        if (fits) {
            const bool has_two =
                strcmp(SHORT[i].to, "SH2") == 0 && strncmp(plain + len, "2-", 2) == 0;
            (void)snprintf(ret, NW_KEY_SIZE, "%.8s%s%s", SHORT[i].to,
                           strcmp(SHORT[i].to, "SH2") == 0 ? "-" : "",
                           plain + len + (has_two ? 2 : 0));
            return true;
        }
    }
    nw_text_copy(ret, NW_KEY_SIZE, plain);
    return true;
}
