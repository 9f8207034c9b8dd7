/* fuzz.h - the one function of a fuzz target, as libFuzzer names it. */
#ifndef NW_FUZZ_H
#define NW_FUZZ_H

#include <stddef.h>
#include <stdint.h>

/* Returns 0; must neither crash nor leak on any bytes. */
int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size);

#endif
