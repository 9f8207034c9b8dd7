/* big.c - see big.h
 * Idea: a page fault a 4 KiB page costs more than the work on its pixels, so the memory is asked
 * for in pages of 2 MiB and filled at once (measured on 52 MB, with a read into it: 6 ms; filled in
 * small pages 21 ms; touched page by page 24 ms).
 * Layout: 64 bytes in front of the block say what was taken and how. Sanitizer builds take
 * everything from malloc, whose red zones catch what runs over. */
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

enum { FRONT_BYTES = 64, MAPPED_FROM_BYTES = 1 << 20, HUGE_BYTES = 1 << 21, PAGE_BYTES = 4096 };

struct front {
    size_t bytes;        /* of the mapping, 0: not mapped */
    unsigned char *base; /* of the mapping */
};
_Static_assert(sizeof(struct front) <= FRONT_BYTES, "the front holds its own description");

/* Asks for the pages now; where the system cannot do that they come when touched. */
void nw_big_fill(void *part, size_t bytes) {
#if defined(MADV_POPULATE_WRITE) && !defined(NW_UNDER_SANITIZER)
    if (bytes > 0) {
        unsigned char *const at = part;
        const size_t over = (size_t)((uintptr_t)at % PAGE_BYTES);
        (void)madvise(at - over, bytes + over, MADV_POPULATE_WRITE);
    }
#else
    (void)part;
    (void)bytes;
#endif
}

/* Begins on a boundary of large pages, so that a block of whole ones needs no small ones. */
static unsigned char *map(size_t bytes, struct front *ret) {
    const size_t slack = bytes >= HUGE_BYTES ? HUGE_BYTES : 0;
    void *const mapped =
        mmap(NULL, bytes + slack, PROT_READ | PROT_WRITE, MAP_PRIVATE | MAP_ANONYMOUS, -1, 0);
    if (mapped == MAP_FAILED) {
        return NULL;
    }
    unsigned char *const base = mapped;
    const size_t over = (size_t)((uintptr_t)base % HUGE_BYTES);
    unsigned char *const block = slack > 0 && over > 0 ? base + (HUGE_BYTES - over) : base;
#ifdef MADV_HUGEPAGE
    if (bytes >= HUGE_BYTES) {
        (void)madvise(block, bytes, MADV_HUGEPAGE);
    }
#endif
    *ret = (struct front){.bytes = bytes + slack, .base = base};
    return block;
}

void *nw_big_reserve(size_t bytes) {
    if (bytes > SIZE_MAX - 2 * (size_t)HUGE_BYTES) {
        return NULL;
    }
    const size_t whole =
        (bytes + FRONT_BYTES - 1) / FRONT_BYTES * FRONT_BYTES + (size_t)FRONT_BYTES;
    struct front front = {0};
    unsigned char *block = NULL;
    if (MAPS_MEMORY && whole >= MAPPED_FROM_BYTES) {
        block = map(whole, &front);
    } else {
        block = aligned_alloc(FRONT_BYTES, whole);
        if (block) {
            memset(block, 0, whole);
        }
    }
    if (!block) {
        return NULL;
    }
    memcpy(block, &front, sizeof front);
    return block + FRONT_BYTES;
}

void *nw_big_alloc(size_t bytes) {
    void *const memory = nw_big_reserve(bytes);
    if (memory && bytes >= MAPPED_FROM_BYTES) {
        nw_big_fill(memory, bytes);
    }
    return memory;
}

void nw_big_free(void *memory) {
    if (!memory) {
        return;
    }
    unsigned char *const block = (unsigned char *)memory - FRONT_BYTES;
    struct front front;
    memcpy(&front, block, sizeof front);
    if (front.bytes > 0) {
        (void)munmap(front.base, front.bytes);
    } else {
        free(block);
    }
}
