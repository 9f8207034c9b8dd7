/* big.c - see big.h
 * Layout: 64 bytes in front of the block hold its whole size and how it was taken. Sanitizer builds
 * take everything from malloc, whose red zones catch what runs over. */
#include "base/big.h"

#include <stdint.h>
#include <sys/mman.h>

#if defined(__has_feature)
#if __has_feature(address_sanitizer)
#define NW_UNDER_SANITIZER 1
#endif
#endif
#if defined(__SANITIZE_ADDRESS__)
#define NW_UNDER_SANITIZER 1
#endif

#ifdef NW_UNDER_SANITIZER
enum { MAPS_MEMORY = 0 };
#else
enum { MAPS_MEMORY = 1 };
#endif

#ifndef MAP_POPULATE
#define MAP_POPULATE 0 /* not Linux: the pages come when touched */
#endif

enum { FRONT_BYTES = 64, MAPPED_FROM_BYTES = 1 << 20 };

struct front {
    size_t bytes; /* with the front */
    int is_mapped;
};
_Static_assert(sizeof(struct front) <= FRONT_BYTES, "the front holds its own description");

void *nw_big_alloc(size_t bytes) {
    if (bytes > SIZE_MAX - 2 * (size_t)FRONT_BYTES) {
        return NULL;
    }
    const size_t rounded = (bytes + FRONT_BYTES - 1) / FRONT_BYTES * FRONT_BYTES;
    struct front front = {.bytes = rounded + FRONT_BYTES,
                          .is_mapped = MAPS_MEMORY && rounded >= MAPPED_FROM_BYTES};
    unsigned char *block = NULL;
    if (front.is_mapped) {
        void *const mapped = mmap(NULL, front.bytes, PROT_READ | PROT_WRITE,
                                  MAP_PRIVATE | MAP_ANONYMOUS | MAP_POPULATE, -1, 0);
        block = mapped == MAP_FAILED ? NULL : mapped;
    } else {
        block = aligned_alloc(FRONT_BYTES, front.bytes);
        if (block) {
            memset(block, 0, front.bytes);
        }
    }
    if (!block) {
        return NULL;
    }
    memcpy(block, &front, sizeof front);
    return block + FRONT_BYTES;
}

void nw_big_free(void *memory) {
    if (!memory) {
        return;
    }
    unsigned char *const block = (unsigned char *)memory - FRONT_BYTES;
    struct front front;
    memcpy(&front, block, sizeof front);
    if (front.is_mapped) {
        (void)munmap(block, front.bytes);
    } else {
        free(block);
    }
}
