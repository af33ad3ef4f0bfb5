#include "measure/spectrum.h"

#include "base/fourier.h"
#include "base/statistics.h"

#include <gsl/gsl_cdf.h>
#include <gsl/gsl_sf_psi.h>
#include <math.h>
#include <stdlib.h>

static const double PI = 3.14159265358979323846;

bool spectrum_density(const double *trace, size_t n, double sample_hz, enum spectrum_taper taper,
                      double *power)
{
    struct fourier *fourier = fourier_make(1, n);
    const double complex *other = NULL;
    double *real = NULL;
    double mean = 0.0;
    double square = 0.0;

    if (fourier == NULL)
        return false;
    real = fourier_real(fourier);
    other = fourier_complex(fourier);
    for (size_t i = 0; i < n; i++)
        mean += trace[i] / (double)n;
    for (size_t i = 0; i < n; i++) {
        double weight = taper == TAPER_HANN ? 0.5 - 0.5 * cos(2.0 * PI * (double)i / (double)n) : 1.0;

        real[i] = weight * (trace[i] - mean);
        square += weight * weight;
    }
    fourier_forward(fourier);
    for (size_t k = 0; k <= n / 2; k++) {
        bool is_single = k == 0 || (n % 2 == 0 && k == n / 2);

        power[k] = (is_single ? 1.0 : 2.0) * creal(other[k] * conj(other[k])) / (sample_hz * square);
    }
    fourier_free(&fourier);
    return true;
}

/* Solves the symmetric 4 x 4 system in place by Cholesky; false when it is singular. */
static bool solve4(double a[4][4], double b[4])
{
    for (int i = 0; i < 4; i++) {
        for (int j = 0; j <= i; j++) {
            double sum = a[i][j];

            for (int k = 0; k < j; k++)
                sum -= a[i][k] * a[j][k];
            if (i == j && sum < 1e-9)
                return false;
            a[i][j] = i == j ? sqrt(sum) : sum / a[j][j];
        }
    }
    for (int i = 0; i < 4; i++) {
        for (int k = 0; k < i; k++)
            b[i] -= a[i][k] * b[k];
        b[i] /= a[i][i];
    }
    for (int i = 3; i >= 0; i--) {
        for (int k = i + 1; k < 4; k++)
            b[i] -= a[k][i] * b[k];
        b[i] /= a[i][i];
    }
    return true;
}

double spectrum_tone(const double *trace, size_t n, double sample_hz, double frequency_hz,
                     double complex *amplitude)
{
    double a[4][4] = {{0}};
    double b[4] = {0};
    double right[4] = {0};
    double half = 0.5 * (double)(n - 1);
    double left_square = 0.0;
    double gained = 0.0;
    double complex turn = cexp(I * 2.0 * PI * frequency_hz / sample_hz);
    double complex now = cexp(-I * 2.0 * PI * frequency_hz / sample_hz * half);

    if (amplitude != NULL)
        *amplitude = 0.0;
    for (size_t i = 0; i < n; i++) {
        const double base[4] = {1.0, ((double)i - half) / half, creal(now), -cimag(now)};

        for (int p = 0; p < 4; p++) {
            b[p] += base[p] * trace[i];
            for (int q = 0; q <= p; q++)
                a[p][q] += base[p] * base[q] / (double)n;
        }
        now *= turn;
    }
    for (int p = 0; p < 4; p++)
        right[p] = b[p] = b[p] / (double)n;
    /* What offset and slope alone explain: they are orthogonal about the middle. */
    left_square = right[0] * right[0] / a[0][0] + right[1] * right[1] / a[1][1];
    if (!solve4(a, b))
        return 0.0;
    for (int p = 0; p < 4; p++)
        gained += b[p] * right[p];
    if (amplitude != NULL)
        *amplitude = b[2] + I * b[3];
    return fmax((gained - left_square) * (double)n, 0.0);
}

double complex spectrum_tone_near(const double *trace, size_t n, double middle, double sigma, double turn_rad)
{
    double a[4][4] = {{0}};
    double b[4] = {0};
    double total = 0.0;
    size_t first = (size_t)fmax(0.0, ceil(middle - 3.5 * sigma));
    size_t last = (size_t)fmin((double)n - 1.0, floor(middle + 3.5 * sigma));

    for (size_t i = first; i <= last; i++) {
        double away = ((double)i - middle) / sigma;
        double weight = exp(-0.5 * away * away);
        const double base[4] = {1.0, away, cos(turn_rad * (double)i), sin(turn_rad * (double)i)};

        total += weight;
        for (int p = 0; p < 4; p++) {
            b[p] += weight * base[p] * trace[i];
            for (int q = 0; q <= p; q++)
                a[p][q] += weight * base[p] * base[q];
        }
    }
    for (int p = 0; p < 4; p++) {
        b[p] /= total;
        for (int q = 0; q <= p; q++)
            a[p][q] /= total;
    }
    return solve4(a, b) ? b[2] - I * b[3] : 0.0;
}

/* Slope of y on x by repeated medians; scratch holds 2 n values. */
static double repeated_median(const double *x, const double *y, size_t n, double *scratch)
{
    double *slopes = scratch + n;

    for (size_t i = 0; i < n; i++) {
        size_t k = 0;

        for (size_t j = 0; j < n; j++)
            if (j != i && fabs(x[j] - x[i]) > 1e-12)
                scratch[k++] = (y[j] - y[i]) / (x[j] - x[i]);
        slopes[i] = statistics_median(scratch, k);
    }
    return statistics_median(slopes, n);
}

/* Shape of a gamma law by maximum likelihood, less its bias in small samples (about 3 / n of it). */
static double shape_of(const double *ratio, size_t used, double independent)
{
    double mean = 0.0;
    double log_mean = 0.0;
    double shape = 0.0;
    double gap = 0.0;
    double n = (double)used * independent;

    for (size_t i = 0; i < used; i++) {
        mean += ratio[i] / (double)used;
        log_mean += log(fmax(ratio[i], 1e-300)) / (double)used; /* of a flat trace they are 0 */
    }
    if (!(mean > 0.0)) /* nothing moves at all */
        return 1.0;
    gap = fmax(log(mean) - log_mean, 1e-3);
    shape = (3.0 - gap + sqrt((gap - 3.0) * (gap - 3.0) + 24.0 * gap)) / (12.0 * gap);
    for (int i = 0; i < 4; i++)
        shape -= (log(shape) - gsl_sf_psi(shape) - gap) / (1.0 / shape - gsl_sf_psi_1(shape));
    return fmin(fmax(shape * fmax(1.0 - 3.0 / n, 0.0), 0.5), 200.0);
}

/* Largest value over the level that still counts in full: an exponential law goes beyond once in 3000. */
static const double CUT_AT = 8.0;

/* Level and shape of used values whose slope has been taken away. */
static void fit_scatter(struct spectrum_background *background, double *ratio, double *scratch, size_t used,
                        double independent)
{
    double level = 0.0;
    double mean = 0.0;

    for (size_t i = 0; i < used; i++)
        scratch[i] = ratio[i];
    level = statistics_median(scratch, used) / log(2.0); /* of an exponential law; it only sets the cut */
    for (size_t i = 0; i < used; i++) {
        ratio[i] = fmin(ratio[i], CUT_AT * level);
        mean += ratio[i] / (double)used;
    }
    background->level = mean;
    background->freedom = shape_of(ratio, used, independent);
}

bool spectrum_fit_background(struct spectrum_background *background, const double *frequency_per_min,
                             const double *power, const bool *is_used, size_t n, double independent)
{
    double *values = malloc(5 * n * sizeof *values);
    double *x = NULL;
    double *y = NULL;
    double *scratch = NULL;
    double square = 0.0;
    size_t used = 0;

    if (values == NULL)
        return false;
    x = values;
    y = values + n;
    scratch = values + 2 * n;
    background->middle = 0.0;
    for (size_t i = 0; i < n; i++)
        if (is_used[i] && frequency_per_min[i] > 0.0 && power[i] > 0.0) {
            x[used] = log(frequency_per_min[i]);
            y[used] = log(power[i]);
            background->middle += x[used++];
        }
    if (used < 5) {
        free(values);
        return false;
    }
    background->middle /= (double)used;
    for (size_t i = 0; i < used; i++)
        square += (x[i] - background->middle) * (x[i] - background->middle);
    background->reach = sqrt(square / (double)used);
    background->n = (double)used * independent;
    background->slope = fmin(fmax(-repeated_median(x, y, used, scratch), 0.0), 2.0);
    for (size_t i = 0; i < used; i++)
        y[i] = exp(y[i] + background->slope * x[i]);
    fit_scatter(background, y, scratch, used, independent);
    free(values);
    return true;
}

double spectrum_background_at(const struct spectrum_background *background, double frequency_per_min)
{
    return background->level * pow(frequency_per_min, -background->slope);
}

/* Seven places and weights by which a smooth function is averaged over a standard normal law (Gauss-Hermite).
 */
enum { N_NODES = 7 };
static const double NODE[N_NODES] = {-3.750439717725742, -2.366759410734541, -1.154405394739968, 0.0,
                                     1.154405394739968,  2.366759410734541,  3.750439717725742};
static const double NODE_WEIGHT[N_NODES] = {0.000548268855972, 0.030757123967586, 0.240123178605013,
                                            0.457142857142857, 0.240123178605013, 0.030757123967586,
                                            0.000548268855972};

/* Standard errors of the logarithms of the shape and of the background at a frequency. */
static void uncertainty(const struct spectrum_background *background, double frequency_per_min,
                        double *of_shape, double *of_level)
{
    double trigamma = gsl_sf_psi_1(background->freedom);
    double away = 0.0;

    *of_shape = 0.0;
    *of_level = 0.0;
    if (background->n < 1.0)
        return;
    away = background->reach > 0.0 ? (log(frequency_per_min) - background->middle) / background->reach : 0.0;
    *of_shape = 1.0 / sqrt(background->n * background->freedom *
                           fmax(background->freedom * trigamma - 1.0, 0.2 / background->freedom));
    /* The mean has variance 1 / (shape n); the slope, by medians of logarithms, trigamma / (0.64 n) at one
     * reach. */
    *of_level = sqrt((1.0 / background->freedom + trigamma / 0.64 * away * away) / background->n);
}

double spectrum_false_alarm(const struct spectrum_background *background, double frequency_per_min,
                            double ratio, double n_looks)
{
    double of_shape = 0.0;
    double of_level = 0.0;
    double one = 0.0;

    uncertainty(background, frequency_per_min, &of_shape, &of_level);
    for (int i = 0; i < N_NODES; i++) {
        double shape = background->freedom * exp(of_shape * NODE[i]);

        for (int j = 0; j < N_NODES; j++)
            one += NODE_WEIGHT[i] * NODE_WEIGHT[j] *
                   gsl_cdf_gamma_Q(ratio * exp(of_level * NODE[j]), shape, 1.0 / shape);
    }
    return -expm1(n_looks * log1p(-fmin(one, 1.0 - 1e-15)));
}
