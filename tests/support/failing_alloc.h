/* failing_alloc.h - the n-th allocation of our objects fails; for topics named nomem, whose
 * programs are linked with --wrap (tests/unit/meson.build). One program includes it once. */
#ifndef NW_TEST_FAILING_ALLOC_H
#define NW_TEST_FAILING_ALLOC_H

#include <stdatomic.h>
#include <stdbool.h>
#include <stddef.h>

/* The linker sends every allocation of our objects here (-Wl,--wrap); the n-th one fails. */
static atomic_long allocations_left = -1; /* < 0: none fails; 0: this one and all that follow */

static bool is_out(void) {
    long left = allocations_left;
    while (left > 0 && !atomic_compare_exchange_weak(&allocations_left, &left, left - 1)) {
    }
    return left == 0; /* as it was before this one: threads allocate side by side */
}

/* NOLINTBEGIN(bugprone-reserved-identifier): names the linker prescribes */
void *__real_malloc(size_t size);
void *__real_calloc(size_t n, size_t size);
void *__real_realloc(void *old, size_t size);
char *__real_strdup(const char *text);
char *__real_strndup(const char *text, size_t n);
void *__wrap_malloc(size_t size);
void *__wrap_calloc(size_t n, size_t size);
void *__wrap_realloc(void *old, size_t size);
char *__wrap_strdup(const char *text);
char *__wrap_strndup(const char *text, size_t n);

void *__wrap_malloc(size_t size) {
    return is_out() ? NULL : __real_malloc(size);
}

void *__wrap_calloc(size_t n, size_t size) {
    return is_out() ? NULL : __real_calloc(n, size);
}

void *__wrap_realloc(void *old, size_t size) {
    return is_out() ? NULL : __real_realloc(old, size);
}

char *__wrap_strdup(const char *text) {
    return is_out() ? NULL : __real_strdup(text);
}

char *__wrap_strndup(const char *text, size_t n) {
    return is_out() ? NULL : __real_strndup(text, n);
}
/* NOLINTEND(bugprone-reserved-identifier) */

#endif
