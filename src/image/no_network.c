/* no_network.c - the six functions of libcurl that cfitsio's network driver asks for, refused.
 * Idea: nothing here reads tables over a network (lists_fits.c opens files of the disk alone), and
 * libcurl brings some twenty libraries along, which cost every start of the program 3 ms and open
 * a door that nobody needs. Linked where cfitsio is linked from its archive (meson.build). */
#include <stddef.h>

enum { FAILED_INIT = 2 }; /* CURLE_FAILED_INIT, curl.h */

void *curl_easy_init(void);
void curl_easy_cleanup(void *handle);
int curl_easy_perform(void *handle);
int curl_easy_setopt(void *handle, int option, ...);
int curl_global_init(long flags);
void curl_global_cleanup(void);

void *curl_easy_init(void) {
    return NULL;
}

void curl_easy_cleanup(void *handle) {
    (void)handle;
}

int curl_easy_perform(void *handle) {
    (void)handle;
    return FAILED_INIT;
}

int curl_easy_setopt(void *handle, int option, ...) {
    (void)handle;
    (void)option;
    return FAILED_INIT;
}

int curl_global_init(long flags) {
    (void)flags;
    return FAILED_INIT;
}

void curl_global_cleanup(void) {
}
