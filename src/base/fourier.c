#include "base/fourier.h"

#include <fftw3.h>
#include <pthread.h>
#include <stdlib.h>

struct fourier {
    double *real;
    double complex *other;
    fftw_plan forward;
    fftw_plan backward;
};

/* FFTW's planner is the one part of it that threads may not share. */
static pthread_mutex_t planner = PTHREAD_MUTEX_INITIALIZER;

struct fourier *fourier_make(size_t n_rows, size_t n_columns)
{
    struct fourier *made = calloc(1, sizeof *made);
    size_t n_other = n_rows * (n_columns / 2 + 1);

    if (made == NULL)
        return NULL;
    made->real = fftw_alloc_real(n_rows * n_columns);
    made->other = fftw_alloc_complex(n_other);
    if (made->real != NULL && made->other != NULL) {
        (void)pthread_mutex_lock(&planner);
        if (n_rows == 1) {
            made->forward = fftw_plan_dft_r2c_1d((int)n_columns, made->real, made->other,
                                                 FFTW_ESTIMATE | FFTW_PRESERVE_INPUT);
            made->backward = fftw_plan_dft_c2r_1d((int)n_columns, made->other, made->real, FFTW_ESTIMATE);
        } else {
            made->forward = fftw_plan_dft_r2c_2d((int)n_rows, (int)n_columns, made->real, made->other,
                                                 FFTW_ESTIMATE | FFTW_PRESERVE_INPUT);
            made->backward =
                fftw_plan_dft_c2r_2d((int)n_rows, (int)n_columns, made->other, made->real, FFTW_ESTIMATE);
        }
        (void)pthread_mutex_unlock(&planner);
    }
    if (made->forward == NULL || made->backward == NULL)
        fourier_free(&made);
    return made;
}

void fourier_free(struct fourier **fourier)
{
    if (fourier == NULL || *fourier == NULL)
        return;
    (void)pthread_mutex_lock(&planner);
    if ((*fourier)->forward != NULL)
        fftw_destroy_plan((*fourier)->forward);
    if ((*fourier)->backward != NULL)
        fftw_destroy_plan((*fourier)->backward);
    (void)pthread_mutex_unlock(&planner);
    fftw_free((*fourier)->real);
    fftw_free((*fourier)->other);
    free(*fourier);
    *fourier = NULL;
}

double *fourier_real(struct fourier *fourier)
{
    return fourier->real;
}

double complex *fourier_complex(struct fourier *fourier)
{
    return fourier->other;
}

void fourier_forward(struct fourier *fourier)
{
    fftw_execute(fourier->forward);
}

void fourier_backward(struct fourier *fourier)
{
    fftw_execute(fourier->backward);
}
