#include "measure/norms.h"

#include "base/text.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

/* Every figure was read in the published text or a copy of its abstract. Where a source does
 * not say what its +/- is, only the mean stands here. */

#define CHUNG "Chung et al., Reprod Biomed Online 2017;34:240-7, doi 10.1016/j.rbmo.2016.12.011"
#define FANCHIN "Fanchin et al., Hum Reprod 2001;16:1115-9, doi 10.1093/humrep/16.6.1115"
#define LESNY "Lesny et al., Hum Reprod Update 1998;4:440-5"
#define ZHU_2014 "Zhu et al., Hum Reprod 2014;29:279-85, doi 10.1093/humrep/det429"
#define REES "Rees et al., Reprod Biomed Online 2022, doi 10.1016/j.rbmo.2022.08.104"
#define MEIRZON "Meirzon et al., Ultrasound Obstet Gynecol 2011;38:217-24, doi 10.1002/uog.8950"
#define HE "He et al., Reprod Fertil 2024;5(1) RAF-23-0053"
#define LAMBERS "Lambers et al., Fertil Steril 2007"
#define FRIEDMAN "Friedman et al., Fertil Steril 2011;95:944-7, doi 10.1016/j.fertnstert.2010.07.1063"
#define ANGUN "Angun et al., Hum Fertil 2024, doi 10.1080/14647273.2024.2406338"
#define BED_REST "Gynecol Obstet Invest 2009;68:122-6, doi 10.1159/000226283"
#define WOOLCOTT "Woolcott and Stanger, Hum Reprod 1998;13:2107-9, doi 10.1093/humrep/13.8.2107"

#define MEAN_SD(mean, sd)                                                                                    \
    .kind = NORMS_MEAN, .middle = (mean), .spread = (sd), .low = (mean) > 2 * (sd) ? (mean)-2 * (sd) : 0.0,  \
    .high = (mean) + 2 * (sd)
#define MEAN_ALONE(mean) .kind = NORMS_MEAN_ONLY, .middle = (mean), .low = (mean), .high = (mean)
#define SPAN(lowest, highest)                                                                                \
    .kind = NORMS_SPAN, .middle = ((lowest) + (highest)) / 2, .low = (lowest), .high = (highest)
#define SHARE(from, to, inside, cases)                                                                       \
    .kind = NORMS_SHARE, .low = (from), .high = (to), .n_inside = (inside), .n_cases = (cases)

static const char ONE_WALL[] = "the source follows one interface; the number here is half the peak-to-peak "
                               "change of the distance between both walls";
static const char ROUND_BUBBLE[] =
    "the source measures from the bubble to the fundal end of the cavity on a still";

static const struct norm rows[] = {
    {.id = "chung-2017-before",
     .quantity = NORMS_FREQUENCY_PER_MIN,
     .setting = NORMS_AT_TRANSFER,
     MEAN_SD(1.8, 1.1),
     .n_cases = 286,
     .unit = "per min",
     .population = "fresh transfers, 5 min before",
     .citation = CHUNG,
     .caution = ""},
    {.id = "chung-2017-after",
     .quantity = NORMS_FREQUENCY_PER_MIN,
     .setting = NORMS_AT_TRANSFER,
     MEAN_SD(2.0, 1.1),
     .n_cases = 286,
     .unit = "per min",
     .population = "fresh transfers, 5 min after",
     .citation = CHUNG,
     .caution = ""},
    {.id = "chung-2017-hour",
     .quantity = NORMS_FREQUENCY_PER_MIN,
     .setting = NORMS_AT_TRANSFER,
     MEAN_SD(1.8, 1.1),
     .n_cases = 286,
     .unit = "per min",
     .population = "fresh transfers, 60 min after",
     .citation = CHUNG,
     .caution = ""},
    {.id = "zhu-2014-before",
     .quantity = NORMS_FREQUENCY_PER_MIN,
     .setting = NORMS_MOCK_TRANSFER,
     MEAN_SD(2.24, 0.74),
     .n_cases = 112,
     .unit = "per min",
     .population = "mock transfers, luteal day 3 of a natural cycle, before",
     .citation = ZHU_2014,
     .caution = ""},
    {.id = "zhu-2014-after",
     .quantity = NORMS_FREQUENCY_PER_MIN,
     .setting = NORMS_MOCK_TRANSFER,
     MEAN_SD(3.06, 0.99),
     .n_cases = 112,
     .unit = "per min",
     .population = "mock transfers, luteal day 3 of a natural cycle, after",
     .citation = ZHU_2014,
     .caution = ""},
    {.id = "fanchin-2001-cleavage",
     .quantity = NORMS_FREQUENCY_PER_MIN,
     .setting = NORMS_STIMULATED_CYCLE,
     MEAN_ALONE(3.5),
     .n_cases = 43,
     .unit = "per min",
     .population = "IVF, 4 days after hCG, computerised count of 2 min",
     .citation = FANCHIN,
     .caution = ""},
    {.id = "fanchin-2001-blastocyst",
     .quantity = NORMS_FREQUENCY_PER_MIN,
     .setting = NORMS_STIMULATED_CYCLE,
     MEAN_ALONE(1.5),
     .n_cases = 43,
     .unit = "per min",
     .population = "IVF, 7 days after hCG, computerised count of 2 min",
     .citation = FANCHIN,
     .caution = ""},
    {.id = "lesny-1998-retrieval",
     .quantity = NORMS_FREQUENCY_PER_MIN,
     .setting = NORMS_STIMULATED_CYCLE,
     MEAN_SD(4.29, 0.68),
     .n_cases = 0,
     .unit = "per min",
     .population = "oocyte donors on the day of retrieval",
     .citation = LESNY,
     .caution = ""},
    {.id = "rees-2022-frequency",
     .quantity = NORMS_FREQUENCY_PER_MIN,
     .setting = NORMS_NATURAL_CYCLE,
     SPAN(1.31, 1.61),
     .n_cases = 64,
     .unit = "per min",
     .population =
         "healthy women, posterior wall, speckle tracking; means at menses, late follicular and late luteal",
     .citation = REES,
     .caution = ""},
    {.id = "meirzon-2011-frequency",
     .quantity = NORMS_FREQUENCY_PER_MIN,
     .setting = NORMS_NATURAL_CYCLE,
     MEAN_SD(2.94, 0.6),
     .n_cases = 18,
     .unit = "per min",
     .population =
         "healthy volunteers, proliferative and early secretory phase, contour tracking (0.049 Hz, SD 0.01)",
     .citation = MEIRZON,
     .caution = ""},
    {.id = "meirzon-2011-interface",
     .quantity = NORMS_AMPLITUDE_MM,
     .setting = NORMS_NATURAL_CYCLE,
     MEAN_SD(1.0, 0.25),
     .n_cases = 18,
     .unit = "mm",
     .population = "healthy volunteers, largest displacement of the endometrium-myometrium interface, 7-17 "
                   "mm from the fundus",
     .citation = MEIRZON,
     .caution = ONE_WALL},
    {.id = "meirzon-2011-centre",
     .quantity = NORMS_AMPLITUDE_MM,
     .setting = NORMS_NATURAL_CYCLE,
     MEAN_SD(0.94, 0.34),
     .n_cases = 18,
     .unit = "mm",
     .population = "healthy volunteers, centre line of the cavity",
     .citation = MEIRZON,
     .caution = ONE_WALL},
    {.id = "lesny-1998-velocity",
     .quantity = NORMS_VELOCITY_MM_PER_S,
     .setting = NORMS_STIMULATED_CYCLE,
     MEAN_SD(2.73, 0.54),
     .n_cases = 0,
     .unit = "mm/s",
     .population = "oocyte donors on the day of retrieval",
     .citation = LESNY,
     .caution = ""},
    {.id = "rees-2022-velocity",
     .quantity = NORMS_VELOCITY_MM_PER_S,
     .setting = NORMS_NATURAL_CYCLE,
     SPAN(0.62, 0.81),
     .n_cases = 64,
     .unit = "mm/s",
     .population =
         "healthy women, anterior wall, fundus-to-cervix; means at late luteal, menses and late follicular",
     .citation = REES,
     .caution = ""},
    {.id = "he-2024-depth",
     .quantity = NORMS_DEPTH_MM,
     .setting = NORMS_AT_TRANSFER,
     SHARE(3.0, 15.0, 988, 1159),
     .unit = "mm",
     .population = "frozen transfers, bubble on the still right after",
     .citation = HE,
     .caution = ROUND_BUBBLE},
    {.id = "lambers-2007-depth",
     .quantity = NORMS_DEPTH_MM,
     .setting = NORMS_AT_TRANSFER,
     SPAN(8.7, 10.2),
     .n_cases = 367,
     .unit = "mm",
     .population = "transfers with the tip set at 15-20 mm; means of two groups",
     .citation = LAMBERS,
     .caution = ""},
    {.id = "angun-2024-depth",
     .quantity = NORMS_DEPTH_MM,
     .setting = NORMS_AT_TRANSFER,
     SHARE(10.0, 20.0, 476, 611),
     .unit = "mm",
     .population = "fresh donor transfers set at 10-20 mm, still there 60 min after",
     .citation = ANGUN,
     .caution = ""},
    {.id = "lambers-2007-relative",
     .quantity = NORMS_RELATIVE_DEPTH,
     .setting = NORMS_AT_TRANSFER,
     SPAN(0.36, 0.45),
     .n_cases = 367,
     .unit = "of the length",
     .population = "transfers; bubble distance over length of the endometrial plate, means of two groups",
     .citation = LAMBERS,
     .caution = ""},
    {.id = "bed-rest-2009-one",
     .quantity = NORMS_MIGRATION_MM,
     .setting = NORMS_AT_TRANSFER,
     SPAN(2.00, 2.69),
     .n_cases = 57,
     .unit = "mm",
     .population = "transfers with one bubble, over 15 min; means with bed rest and with ambulation",
     .citation = BED_REST,
     .caution = ""},
    {.id = "bed-rest-2009-two",
     .quantity = NORMS_MIGRATION_MM,
     .setting = NORMS_AT_TRANSFER,
     SPAN(1.80, 3.07),
     .n_cases = 28,
     .unit = "mm",
     .population = "transfers with two bubbles, over 15 min; means with bed rest and with ambulation",
     .citation = BED_REST,
     .caution = ""},
    {.id = "woolcott-1998-standing",
     .quantity = NORMS_MIGRATION_MM,
     .setting = NORMS_AT_TRANSFER,
     SHARE(0.0, 10.0, 99, 101),
     .unit = "mm",
     .population = "transfers, moved less than 1 cm on standing up (95 of them did not move)",
     .citation = WOOLCOTT,
     .caution = ""},
    {.id = "angun-2024-zone",
     .quantity = NORMS_MIGRATION_DIRECTION,
     .setting = NORMS_AT_TRANSFER,
     SHARE(0.0, INFINITY, 123, 611),
     .unit = "",
     .population = "fresh donor transfers set at 10-20 mm, nearer than 10 mm to the fundus after 60 min",
     .citation = ANGUN,
     .caution = "476 stayed within 10-20 mm and 12 were further away"},
};

size_t norms_count(void)
{
    return sizeof rows / sizeof rows[0];
}

const struct norm *norms_row(size_t index)
{
    return index < norms_count() ? &rows[index] : NULL;
}

const struct norm *norms_beside(enum norms_quantity quantity)
{
    for (size_t i = 0; i < norms_count(); i++)
        if (rows[i].quantity == quantity)
            return &rows[i];
    return NULL;
}

const struct norm *norms_find(const char *id)
{
    for (size_t i = 0; i < norms_count(); i++)
        if (strcmp(rows[i].id, id) == 0)
            return &rows[i];
    return NULL;
}

/** The figure alone: "mean 1.8, SD 1.1 per min". */
static char *figure_text(const struct norm *norm)
{
    const char *space = norm->unit[0] == '\0' ? "" : " ";

    switch (norm->kind) {
    case NORMS_MEAN:
        return text_format("mean %g, SD %g%s%s", norm->middle, norm->spread, space, norm->unit);
    case NORMS_MEAN_ONLY:
        return text_format("mean %g%s%s", norm->middle, space, norm->unit);
    case NORMS_SPAN:
        return text_format("means %g to %g%s%s", norm->low, norm->high, space, norm->unit);
    case NORMS_SHARE:
        if (isinf(norm->high))
            return text_format("%d of %d", norm->n_inside, norm->n_cases);
        return text_format("%g to %g%s%s in %d of %d", norm->low, norm->high, space, norm->unit,
                           norm->n_inside, norm->n_cases);
    }
    return NULL;
}

char *norms_text(const struct norm *norm)
{
    char *figure = figure_text(norm);
    char *text = NULL;
    const char *link = norm->caution[0] == '\0' ? "" : "; ";

    if (figure == NULL)
        return NULL;
    if (norm->kind != NORMS_SHARE && norm->n_cases > 0)
        text = text_format("published: %s (%d cases: %s; %s%s%s)", figure, norm->n_cases, norm->population,
                           norm->citation, link, norm->caution);
    else
        text = text_format("published: %s (%s; %s%s%s)", figure, norm->population, norm->citation, link,
                           norm->caution);
    free(figure);
    return text;
}
