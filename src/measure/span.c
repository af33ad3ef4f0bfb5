#include "measure/span.h"

#include "measure/even.h"

static const double WITHIN_S = 1e-6; /* times are told to a microsecond */

struct wave_trace span_of(const struct wave_trace *trace, double from_s, double to_s)
{
    struct wave_trace part = *trace;
    size_t first = 0;
    size_t end = trace->n_times;

    while (first < trace->n_times && trace->time_s[first] < from_s - WITHIN_S)
        first++;
    while (end > first && trace->time_s[end - 1] > to_s + WITHIN_S)
        end--;
    part.n_times = end - first;
    part.time_s += first;
    part.change_mm += first * trace->n_positions;
    part.trust += first * trace->n_positions;
    if (trace->beside.n > 0) {
        part.beside.change_mm += first * trace->beside.n;
        part.beside.trust += first * trace->beside.n;
    }
    if (trace->on.n > 0) {
        part.on.change_mm += first * trace->on.n;
        part.on.trust += first * trace->on.n;
    }
    return part;
}

bool span_assessed(const struct wave_trace *trace, double *from_s, double *to_s)
{
    size_t from = 0;
    size_t to = 0;

    if (trace->n_times < 2)
        return false;
    even_stretch(trace, &from, &to);
    *from_s = trace->time_s[from];
    *to_s = trace->time_s[to];
    return to > from;
}

bool span_measure(struct wave_result *result, const struct wave_trace *trace, double from_s, double to_s,
                  struct error **err)
{
    struct wave_trace part = span_of(trace, from_s, to_s);
    struct text_list reasons = {0};
    bool is_made = contraction_measure(result, &reasons, &part, err);

    text_list_free(&reasons);
    return is_made;
}
