/* banned.h - calls that this project does without; the compiler refuses them.
 * Idea: the headers that declare them come first, then their names are poisoned. Forced into every
 * translation unit by meson.build. Use nw_buf_printf, snprintf, nw_text_to_double, gsl_rng. */
#ifndef NW_BANNED_H
#define NW_BANNED_H
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <strings.h>
#include <time.h>
#ifdef __GNUC__
#pragma GCC poison strcpy strcat sprintf vsprintf atoi atol atof sscanf strtok gmtime localtime rand
#endif
#endif
