/* pattern.h - patterns over one line of text, as an owner writes them.
 *
 *   *         any text, also none            ?        one character
 *   {time}    any text, handed back as time  {number} a number with sign and decimals
 *   \*        the character itself (also \? \{ \\)
 * Everything else stands for itself; case of A to Z is ignored; a blank stands for any blanks. The
 * pattern must cover the whole line, blanks around aside. Cost: length of pattern times line. */
#ifndef NW_PATTERN_H
#define NW_PATTERN_H

#include <stdbool.h>
#include <stddef.h>

#include "base/err.h"

#define NW_PATTERN_MAX 120 /* bytes */

/* FORMAT: too long, empty, a brace that is neither hole, a backslash at the end. */
enum nw_status nw_pattern_check(const char *pattern, struct nw_err *err) NW_CHECKED;
/* `pattern` has passed the check. *ret_time, *ret_time_len: the text of {time}, NULL without; may
 * be NULL. Decimals with '.' or ','. */
bool nw_pattern_matches(const char *pattern, const char *text, size_t len, const char **ret_time,
                        size_t *ret_time_len);

#endif
