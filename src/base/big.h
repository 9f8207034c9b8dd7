/* big.h - memory for whole images.
 * Idea: touching fresh memory page by page costs more than the arithmetic on it (0.45 s against
 * 0.025 s for 104 MB on the machine of the benchmarks), so big blocks are mapped populated. */
#ifndef NW_BIG_H
#define NW_BIG_H

#include <stddef.h>

/* At least `bytes` zeroed bytes, aligned to 64; NULL when memory is out. Check sizes against the
 * input before asking: the memory is really taken at once. Free with nw_big_free. */
void *nw_big_alloc(size_t bytes);
/* The same, but the memory is taken when it is first touched; nw_big_fill takes a part of it at
 * once: threads that fill their own parts share the work. */
void *nw_big_reserve(size_t bytes);
void nw_big_fill(void *part, size_t bytes);
void nw_big_free(void *memory); /* NULL allowed */

#endif
