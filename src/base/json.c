#include "base/json.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

/* Enough for every double that was rounded to nine places, few enough to hide the binary tail. */
enum { SIGNIFICANT_DIGITS = 15 };

json_t *json_from_number(double number, int decimals)
{
    double factor = pow(10.0, decimals);
    double rounded = 0.0;

    if (!isfinite(number))
        return json_null();
    rounded = fabs(number) < 1e15 / factor ? round(number * factor) / factor : number;
    if (decimals == 0 && fabs(rounded) < 1e15)
        return json_integer((json_int_t)rounded);
    return json_real(rounded + 0.0); /* + 0.0 turns -0 into 0 */
}

json_t *json_from_quantity(struct quantity quantity, int decimals)
{
    if (!quantity.is_known)
        return json_null();
    return json_from_number(quantity.value, decimals);
}

static json_t *pair(double first, double second, int decimals)
{
    json_t *made = json_array();

    if (json_add(made, json_from_number(first, decimals)) &&
        json_add(made, json_from_number(second, decimals)))
        return made;
    json_decref(made);
    return NULL;
}

json_t *json_from_interval(struct quantity quantity, int decimals)
{
    if (!quantity.is_known || !quantity.has_interval)
        return json_null();
    return pair(quantity.low, quantity.high, decimals);
}

json_t *json_from_point(bool is_known, struct point point)
{
    if (!is_known || !isfinite(point.x_px) || !isfinite(point.y_px))
        return json_null();
    return pair(point.x_px, point.y_px, 2);
}

json_t *json_from_text(const char *text)
{
    static const char replacement[] = "\xEF\xBF\xBD";
    const char *from = text;
    json_t *made = NULL;
    char *clean = NULL;
    size_t n = 0;

    if (text == NULL)
        return json_null();
    clean = malloc(3 * strlen(text) + 1);
    if (clean == NULL)
        return NULL;
    while (*from != '\0') {
        size_t step = text_sequence_bytes(from);

        memcpy(clean + n, step == 0 ? replacement : from, step == 0 ? 3 : step);
        n += step == 0 ? 3 : step;
        from += step == 0 ? 1 : step;
    }
    made = json_stringn(clean, n);
    free(clean);
    return made;
}

json_t *json_from_text_list(const struct text_list *list)
{
    json_t *made = json_array();

    for (size_t i = 0; i < list->n; i++) {
        if (!json_add(made, json_from_text(list->items[i]))) {
            json_decref(made);
            return NULL;
        }
    }
    return made;
}

bool json_put(json_t *object, const char *key, json_t *value)
{
    return json_object_set_new(object, key, value) == 0;
}

bool json_add(json_t *list, json_t *value)
{
    return json_array_append_new(list, value) == 0;
}

char *json_text(const json_t *value)
{
    char *dumped = json_dumps(value, JSON_INDENT(2) | JSON_REAL_PRECISION(SIGNIFICANT_DIGITS));
    char *made = dumped == NULL ? NULL : text_format("%s\n", dumped);

    free(dumped);
    return made;
}
