/* clones.h - NW_CLONES in front of a function: the compiler makes further versions for processors
 * with AVX2 and AVX-512, chosen at start-up. Element by element all do the same operations (no
 * contraction, no sums over lanes), so results agree to the last bit. Only where compiler and C
 * library are known to do it; elsewhere it is empty. */
#ifndef NW_CLONES_H
#define NW_CLONES_H

#include <stdlib.h> /* __GLIBC__ */

#if defined(__GNUC__) && !defined(__clang__) && defined(__x86_64__) && defined(__GLIBC__)
#define NW_CLONES __attribute__((target_clones("default", "arch=x86-64-v3", "arch=x86-64-v4")))
#else
#define NW_CLONES
#endif

#endif
