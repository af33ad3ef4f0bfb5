#ifndef AFTERFLASH_BASE_CONTRACT_H
#define AFTERFLASH_BASE_CONTRACT_H

/** Contracts that the compiler can check.
 *
 *  MUST_CHECK       the caller may not drop the returned value
 *  PRINTF_LIKE(f,a) argument f is a format for the arguments from a on
 *  CLEANUP(ender)   calls ender(&variable) when the variable leaves scope;
 *                   such a variable starts as NULL */
#define MUST_CHECK __attribute__((warn_unused_result))
#define PRINTF_LIKE(format_at, arguments_at) __attribute__((format(printf, format_at, arguments_at)))
#define CLEANUP(ender) __attribute__((cleanup(ender)))

#endif
