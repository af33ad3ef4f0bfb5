#include "report/summary_json.h"

#include "base/json.h"
#include "report/cautions.h"
#include "report/sections_internal.h"
#include "report/tool.h"

#include <stdlib.h>

/* Raised when a key changes its meaning or goes away; new keys do not raise it. */
static const char schema[] = "afterflash summary 1";

static json_t *libraries(void)
{
    struct tool_library library;
    json_t *made = json_object();
    bool is_good = true;

    for (size_t i = 0; is_good && tool_library_at(i, &library); i++)
        is_good = json_put(made, library.name, json_string(library.version));
    return whole_or_null(made, is_good);
}

static json_t *parameters(const struct transfer_request *request)
{
    bool has_scale = request->scale_mm_per_px > 0;
    json_t *made = json_object();

    return whole_or_null(
        made, json_put(made, "scale_mm_per_px",
                       has_scale ? json_from_number(request->scale_mm_per_px, 7) : json_null()) &&
                  json_put(made, "fundus_px", json_from_point(request->has_fundus, request->fundus_px)) &&
                  json_put(made, "os_px", json_from_point(request->has_os, request->os_px)));
}

static json_t *tool(const struct transfer_request *request)
{
    json_t *made = json_object();

    return whole_or_null(made, json_put(made, "name", json_string("afterflash")) &&
                                   json_put(made, "version", json_string(tool_version())) &&
                                   json_put(made, "libraries", libraries()) &&
                                   json_put(made, "parameters", parameters(request)));
}

static json_t *cautions(const struct transfer *transfer)
{
    struct text_list list = {0};
    json_t *made = cautions_list(&list, transfer) ? json_from_text_list(&list) : NULL;

    text_list_free(&list);
    return made;
}

static json_t *loops(const struct transfer *transfer)
{
    json_t *made = json_array();

    for (size_t i = 0; i < transfer->n_loops; i++)
        if (!json_add(made, sections_loop(&transfer->loops[i])))
            return whole_or_null(made, false);
    return made;
}

static json_t *summary(const struct transfer *transfer, const struct transfer_request *request)
{
    const struct scale *scale = &transfer->scale;
    json_t *made = json_object();

    return whole_or_null(
        made,
        json_put(made, "schema", json_string(schema)) && json_put(made, "tool", tool(request)) &&
            json_put(made, "cautions", cautions(transfer)) && json_put(made, "loops", loops(transfer)) &&
            json_put(made, "scale", sections_scale(scale)) &&
            json_put(made, "cavity", sections_cavity(&transfer->cavity, scale, transfer->cavity_loop)) &&
            json_put(made, "contractions",
                     sections_contractions(&transfer->contractions, scale, transfer->contractions_loop)) &&
            json_put(made, "deposit", sections_deposit(&transfer->deposit, scale, transfer->deposit_loop)) &&
            json_put(made, "drift", sections_drift(&transfer->drift, scale, true)) &&
            json_put(made, "notes", json_from_text_list(&transfer->notes)));
}

bool summary_json_write(FILE *to, const struct transfer *transfer, const struct transfer_request *request,
                        struct error **err)
{
    json_t *made = summary(transfer, request);
    char *text = made == NULL ? NULL : json_text(made);

    json_decref(made);
    if (text == NULL)
        return error_memory(err);
    (void)fputs(text, to);
    free(text);
    return true;
}
