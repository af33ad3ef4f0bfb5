#ifndef AFTERFLASH_BASE_FOURIER_H
#define AFTERFLASH_BASE_FOURIER_H

#include <complex.h>
#include <stddef.h>

/** Real two-dimensional transforms of one size, by FFTW with estimated plans (measured
 *  plans would make results depend on timing). May be used by one thread at a time;
 *  making and ending them is safe from any thread. */
struct fourier;

/** Prepares transforms of n_rows x n_columns (n_rows = 1: one-dimensional). NULL when memory ran out. */
struct fourier *fourier_make(size_t n_rows, size_t n_columns);

/** Ends it; accepts NULL, leaves NULL. */
void fourier_free(struct fourier **fourier);

/** The real side: n_rows x n_columns values, row-major; written by the caller before
 *  fourier_forward, by fourier_backward otherwise (not divided by the number of values). */
double *fourier_real(struct fourier *fourier);

/** The other side: n_rows x (n_columns / 2 + 1) values, row-major. */
double complex *fourier_complex(struct fourier *fourier);

/** From the real to the complex side; the real side is kept. */
void fourier_forward(struct fourier *fourier);

/** From the complex to the real side; the complex side is lost. */
void fourier_backward(struct fourier *fourier);

#endif
