/* Contracts of base/fourier.h. The transform is checked against its definition, summed term by term:
 * X[k] = sum x[n] exp(-2 pi i k n / N). */
#include "base/fourier.h"

#include <complex.h>
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

static const double PI = 3.14159265358979323846;

static double sample(size_t row, size_t column)
{
    return sin(1.7 * (double)row + 0.3) + 0.5 * cos(2.9 * (double)column) +
           0.01 * (double)((row * 7 + column * 3) % 11);
}

static double complex by_definition(size_t n_rows, size_t n_columns, size_t k, size_t l)
{
    double complex sum = 0.0;

    for (size_t row = 0; row < n_rows; row++)
        for (size_t column = 0; column < n_columns; column++)
            sum += sample(row, column) *
                   cexp(-2.0 * PI * I *
                        ((double)(k * row) / (double)n_rows + (double)(l * column) / (double)n_columns));
    return sum;
}

static void check_size(size_t n_rows, size_t n_columns)
{
    struct fourier *fourier = fourier_make(n_rows, n_columns);
    size_t n_half = n_columns / 2 + 1;
    double *real = NULL;

    assert_non_null(fourier);
    real = fourier_real(fourier);
    for (size_t i = 0; i < n_rows * n_columns; i++)
        real[i] = sample(i / n_columns, i % n_columns);
    fourier_forward(fourier);
    for (size_t i = 0; i < n_rows * n_columns; i++) /* the real side is kept */
        assert_true(real[i] == sample(i / n_columns, i % n_columns));
    for (size_t k = 0; k < n_rows; k++)
        for (size_t l = 0; l < n_half; l++)
            assert_true(cabs(fourier_complex(fourier)[k * n_half + l] -
                             by_definition(n_rows, n_columns, k, l)) < 1e-9);
    fourier_backward(fourier);
    for (size_t i = 0; i < n_rows * n_columns; i++)
        assert_true(fabs(real[i] / (double)(n_rows * n_columns) - sample(i / n_columns, i % n_columns)) <
                    1e-12);
    fourier_free(&fourier);
    assert_null(fourier);
}

static void a_transform_is_the_sum_that_defines_it_and_goes_back(void **state)
{
    (void)state;
    check_size(1, 16);
    check_size(1, 15); /* odd */
    check_size(6, 8);
    check_size(7, 9);
}

/* Parseval: the middle columns of the half spectrum count twice. */
static void power_is_the_same_on_both_sides(void **state)
{
    enum { N = 30 };
    struct fourier *fourier = fourier_make(1, N);
    double left = 0.0;
    double right = 0.0;

    (void)state;
    assert_non_null(fourier);
    for (size_t i = 0; i < N; i++) {
        fourier_real(fourier)[i] = sample(3, i);
        left += sample(3, i) * sample(3, i);
    }
    fourier_forward(fourier);
    for (size_t k = 0; k <= N / 2; k++) {
        double size = cabs(fourier_complex(fourier)[k]);

        right += (k == 0 || 2 * k == N ? 1.0 : 2.0) * size * size / N;
    }
    assert_true(fabs(left - right) < 1e-9);
    fourier_free(&fourier);
    fourier_free(&fourier); /* accepts what it has left */
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_transform_is_the_sum_that_defines_it_and_goes_back),
        cmocka_unit_test(power_is_the_same_on_both_sides),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
