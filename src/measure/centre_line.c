#include "measure/centre_line.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

static bool allocate(struct centre_line *line, size_t n)
{
    line->n = n;
    line->place_mm = calloc(n, sizeof *line->place_mm);
    line->normal = calloc(n, sizeof *line->normal);
    if (line->place_mm == NULL || line->normal == NULL) {
        centre_line_free(line);
        return false;
    }
    return true;
}

static double length_of(const double (*place)[2], size_t n)
{
    double length = 0.0;

    for (size_t i = 1; i < n; i++)
        length += hypot(place[i][0] - place[i - 1][0], place[i][1] - place[i - 1][1]);
    return length;
}

/* Evenly spaced places along a polyline; n_out >= 2. */
static void resample(const double (*place)[2], size_t n, double (*out)[2], size_t n_out)
{
    double total = length_of(place, n);
    double passed = 0.0;
    size_t i = 1;

    for (size_t k = 0; k < n_out; k++) {
        double want = total * (double)k / (double)(n_out - 1);
        double piece = hypot(place[i][0] - place[i - 1][0], place[i][1] - place[i - 1][1]);
        double part = 0.0;

        while (passed + piece < want && i + 1 < n) {
            passed += piece;
            i++;
            piece = hypot(place[i][0] - place[i - 1][0], place[i][1] - place[i - 1][1]);
        }
        part = piece > 0.0 ? fmin((want - passed) / piece, 1.0) : 0.0;
        for (int axis = 0; axis < 2; axis++)
            out[k][axis] = place[i - 1][axis] + part * (place[i][axis] - place[i - 1][axis]);
    }
}

/* Gaussian smoothing; beyond the ends the curve is continued by its point reflection. */
static void smooth(const double (*in)[2], size_t n, double sigma_places, double (*out)[2])
{
    long reach = (long)ceil(3.0 * sigma_places);

    for (long i = 0; i < (long)n; i++) {
        double sum[2] = {0};
        double total = 0.0;

        for (long k = -reach; k <= reach; k++) {
            double weight = sigma_places > 0.0
                                ? exp(-0.5 * (double)k * (double)k / (sigma_places * sigma_places))
                                : (k == 0 ? 1.0 : 0.0);
            long at = i + k;
            long mirror = at < 0 ? -at : at >= (long)n ? 2 * ((long)n - 1) - at : at;
            long edge = at < 0 ? 0 : (long)n - 1;

            mirror = mirror < 0 ? 0 : mirror >= (long)n ? (long)n - 1 : mirror;
            for (int axis = 0; axis < 2; axis++)
                sum[axis] += weight * (mirror == at ? in[at][axis] : 2.0 * in[edge][axis] - in[mirror][axis]);
            total += weight;
        }
        out[i][0] = sum[0] / total;
        out[i][1] = sum[1] / total;
    }
}

static void fill_normals(struct centre_line *line)
{
    for (size_t i = 0; i < line->n; i++) {
        size_t before = i > 0 ? i - 1 : 0;
        size_t after = i + 1 < line->n ? i + 1 : i;
        double x = line->place_mm[after][0] - line->place_mm[before][0];
        double y = line->place_mm[after][1] - line->place_mm[before][1];
        double length = hypot(x, y);

        line->normal[i][0] = length > 0.0 ? -y / length : 0.0;
        line->normal[i][1] = length > 0.0 ? x / length : 1.0;
    }
}

/* Direction of the curve at an end, over about 5 mm, pointing outward. */
static void outward(const double (*place)[2], size_t n, double step, bool is_last, double direction[2])
{
    size_t back = (size_t)fmin((double)(n - 1), fmax(1.0, round(5.0 / step)));
    const double *tip = is_last ? place[n - 1] : place[0];
    const double *inner = is_last ? place[n - 1 - back] : place[back];
    double length = hypot(tip[0] - inner[0], tip[1] - inner[1]);

    direction[0] = length > 0.0 ? (tip[0] - inner[0]) / length : 1.0;
    direction[1] = length > 0.0 ? (tip[1] - inner[1]) / length : 0.0;
}

bool centre_line_make(struct centre_line *line, const double (*place_mm)[2], size_t n, double step_mm,
                      double smooth_mm, double extend_mm)
{
    double total = n >= 2 ? length_of(place_mm, n) : 0.0;
    size_t n_body = (size_t)fmax(2.0, round(total / step_mm) + 1.0);
    size_t n_extra = (size_t)round(extend_mm / step_mm);
    double(*even)[2] = NULL;
    double(*body)[2] = NULL;
    double direction[2] = {0};
    bool is_made = false;

    memset(line, 0, sizeof *line);
    if (!(total > 0.0) || !allocate(line, n_body + 2 * n_extra))
        return false;
    even = calloc(n_body, sizeof *even);
    body = line->place_mm + n_extra;
    if (even != NULL) {
        line->step_mm = total / (double)(n_body - 1);
        resample(place_mm, n, even, n_body);
        smooth((const double(*)[2])even, n_body, smooth_mm / line->step_mm, body);
        for (int end = 0; end < 2; end++) {
            outward((const double(*)[2])body, n_body, line->step_mm, end == 1, direction);
            for (size_t k = 1; k <= n_extra; k++)
                for (int axis = 0; axis < 2; axis++) {
                    double away = (double)k * line->step_mm * direction[axis];

                    if (end == 0)
                        body[-(long)k][axis] = body[0][axis] + away;
                    else
                        body[n_body - 1 + k][axis] = body[n_body - 1][axis] + away;
                }
        }
        fill_normals(line);
        is_made = true;
    }
    free(even);
    if (!is_made)
        centre_line_free(line);
    return is_made;
}

void centre_line_free(struct centre_line *line)
{
    if (line == NULL)
        return;
    free(line->place_mm);
    free(line->normal);
    memset(line, 0, sizeof *line);
}

void centre_line_at(const struct centre_line *line, double along_mm, double across_mm, double *x_mm,
                    double *y_mm)
{
    double place = fmin(fmax(along_mm / line->step_mm, 0.0), (double)(line->n - 1));
    size_t i = (size_t)fmin(place, (double)(line->n - 2));
    double part = place - (double)i;

    *x_mm = line->place_mm[i][0] + part * (line->place_mm[i + 1][0] - line->place_mm[i][0]) +
            across_mm * (line->normal[i][0] + part * (line->normal[i + 1][0] - line->normal[i][0]));
    *y_mm = line->place_mm[i][1] + part * (line->place_mm[i + 1][1] - line->place_mm[i][1]) +
            across_mm * (line->normal[i][1] + part * (line->normal[i + 1][1] - line->normal[i][1]));
}

void centre_line_nearest(const struct centre_line *line, double x_mm, double y_mm, double *along_mm,
                         double *across_mm)
{
    double best = HUGE_VAL;

    for (size_t i = 0; i + 1 < line->n; i++) {
        double ax = line->place_mm[i + 1][0] - line->place_mm[i][0];
        double ay = line->place_mm[i + 1][1] - line->place_mm[i][1];
        double px = x_mm - line->place_mm[i][0];
        double py = y_mm - line->place_mm[i][1];
        double square = ax * ax + ay * ay;
        double part = square > 0.0 ? fmin(fmax((px * ax + py * ay) / square, 0.0), 1.0) : 0.0;
        double away = hypot(px - part * ax, py - part * ay);

        if (away < best) {
            double side = ax * py - ay * px;

            best = away;
            *along_mm = ((double)i + part) * line->step_mm;
            *across_mm = side >= 0.0 ? away : -away;
        }
    }
}
