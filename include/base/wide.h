#ifndef AFTERFLASH_BASE_WIDE_H
#define AFTERFLASH_BASE_WIDE_H

/** WIDE before a function makes a second copy of it for processors with eight lanes, chosen when the program
 *  starts; both give the same bytes, since nothing is contracted or reordered (-ffp-contract=off). The
 *  sanitizers are not ready by the time of that choice, so they get one copy. Static functions only: clang
 * names such a function otherwise than those who call it from elsewhere. */
#if defined(__x86_64__) && defined(__gnu_linux__) && !defined(__SANITIZE_ADDRESS__) &&                       \
    !defined(__SANITIZE_THREAD__)
#define WIDE __attribute__((target_clones("avx2", "default")))
#else
#define WIDE
#endif

/** WIDE_PART before a function that WIDE ones call makes it part of each of their copies. */
#define WIDE_PART static inline __attribute__((always_inline))

#endif
