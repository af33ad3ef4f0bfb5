#include "report/published_internal.h"

#include "base/json.h"
#include "report/paragraph.h"

#include <stdlib.h>

enum { DECIMALS = 3 };

static const char *word_of_kind(enum norms_kind kind)
{
    switch (kind) {
    case NORMS_MEAN:
        return "mean-and-standard-deviation";
    case NORMS_MEAN_ONLY:
        return "mean";
    case NORMS_SPAN:
        return "span-of-means";
    case NORMS_SHARE:
        break;
    }
    return "share-within";
}

/* The key beside which the figure stands. */
static const char *key_beside(enum norms_quantity quantity)
{
    switch (quantity) {
    case NORMS_FREQUENCY_PER_MIN:
        return "frequency_per_min";
    case NORMS_AMPLITUDE_MM:
        return "amplitude_mm";
    case NORMS_VELOCITY_MM_PER_S:
        return "velocity_mm_per_s";
    case NORMS_DEPTH_MM:
        return "to_fundus_mm";
    case NORMS_RELATIVE_DEPTH:
        return "relative_depth";
    case NORMS_MIGRATION_MM:
        return "net_mm";
    case NORMS_MIGRATION_DIRECTION:
        break;
    }
    return "toward_fundus_mm";
}

static json_t *number_if(bool is_told, double number)
{
    return is_told ? json_from_number(number, DECIMALS) : json_null();
}

static json_t *count_if(bool is_told, int count)
{
    return is_told ? json_integer(count) : json_null();
}

static json_t *row_of(const struct norm *norm)
{
    bool is_share = norm->kind == NORMS_SHARE;
    json_t *made = json_object();
    bool is_whole = json_put(made, "id", json_string(norm->id)) &&
                    json_put(made, "beside", json_string(key_beside(norm->quantity))) &&
                    json_put(made, "kind", json_string(word_of_kind(norm->kind))) &&
                    json_put(made, "middle", number_if(!is_share, norm->middle)) &&
                    json_put(made, "spread", number_if(norm->kind == NORMS_MEAN, norm->spread)) &&
                    json_put(made, "low", json_from_number(norm->low, DECIMALS)) &&
                    json_put(made, "high", json_from_number(norm->high, DECIMALS)) &&
                    json_put(made, "cases", count_if(norm->n_cases > 0, norm->n_cases)) &&
                    json_put(made, "cases_inside", count_if(is_share, norm->n_inside)) &&
                    json_put(made, "unit", json_string(norm->unit)) &&
                    json_put(made, "population", json_string(norm->population)) &&
                    json_put(made, "source", json_string(norm->citation)) &&
                    json_put(made, "caution", json_string(norm->caution));

    if (is_whole)
        return made;
    json_decref(made);
    return NULL;
}

json_t *published_list(enum norms_quantity first, enum norms_quantity last)
{
    json_t *list = json_array();

    for (size_t i = 0; i < norms_count(); i++) {
        const struct norm *norm = norms_row(i);

        if (norm->quantity >= first && norm->quantity <= last && !json_add(list, row_of(norm))) {
            json_decref(list);
            return NULL;
        }
    }
    return list;
}

static bool write_beside(FILE *to, const char *head, enum norms_quantity quantity, bool is_measured)
{
    const struct norm *norm = norms_beside(quantity);
    char *text = NULL;

    if (!is_measured || norm == NULL)
        return true;
    text = norms_text(norm);
    if (text == NULL)
        return false;
    paragraph_write(to, head, "                ", text);
    free(text);
    return true;
}

bool published_write(FILE *to, const struct transfer *transfer)
{
    bool has_frequency = transfer->contractions.frequency_per_min.is_known;
    bool has_depth = transfer->deposit.to_fundus_mm.is_known;
    bool has_drift = transfer->drift.net_mm.is_known;

    if (!has_frequency && !has_depth && !has_drift)
        return true;
    (void)fputs("\nPublished figures to compare with; they foretell nothing\n", to);
    return write_beside(to, "  Frequency     ", NORMS_FREQUENCY_PER_MIN, has_frequency) &&
           write_beside(to, "  Depth         ", NORMS_DEPTH_MM, has_depth) &&
           write_beside(to, "  Drift         ", NORMS_MIGRATION_MM, has_drift);
}
