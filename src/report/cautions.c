#include "report/cautions.h"

/* Below this the program asks for marks; common practice, no source. */
static const double low_trust = 0.5;

static bool always(struct text_list *cautions)
{
    return text_list_add(cautions,
                         "These are measurements, not a diagnosis. Published findings on whether such values "
                         "go with pregnancy conflict, so nothing here foretells an outcome.") &&
           text_list_add(cautions,
                         "This version was tried on made loops and on real loops of other organs. It has not "
                         "been compared with expert readers on real transfers.") &&
           text_list_add(cautions,
                         "A loop shows one plane. What moves through the plane is not seen, and lengths are "
                         "those in the plane.");
}

static bool of_scale(struct text_list *cautions, const struct transfer *transfer)
{
    const struct scale *scale = &transfer->scale;

    for (size_t i = 1; i < transfer->n_loops; i++)
        if (transfer->loops[i].scale.source != transfer->loops[0].scale.source)
            return text_list_add(cautions, "The loops' scales come from different sources, told beside each: "
                                           "millimetres of one may not be those of another.");
    switch (scale->source) {
    case SCALE_NONE:
        return text_list_add(cautions,
                             "The size of a pixel is not known: lengths are in pixels only. Give --scale "
                             "MM_PER_PX for millimetres.");
    case SCALE_GIVEN:
        return text_list_add(cautions, "Every millimetre rests on the scale that was given by hand.");
    case SCALE_RULER:
        return text_list_add(cautions,
                             "Every millimetre rests on the depth ruler that was read from the picture.");
    case SCALE_DICOM_REGION:
        break;
    }
    return true;
}

static bool of_pixels(struct text_list *cautions, const struct transfer *transfer)
{
    for (size_t i = 0; i < transfer->n_loops; i++)
        if (transfer->loops[i].scale.odd_pixels > 0)
            return text_list_add(
                cautions,
                "The file of %s makes its pixels %.2f times as wide as high, which nothing bears "
                "out: its lengths, angles and velocities may be wrong by as much.",
                transfer->loops[i].file, transfer->loops[i].scale.odd_pixels);
    return true;
}

static bool of_ticks(struct text_list *cautions, const struct transfer *transfer)
{
    for (size_t i = 0; i < transfer->n_loops; i++)
        if (transfer->loops[i].scale.tick_ratio > 0)
            return text_list_add(
                cautions,
                "The scale in the file of %s is %.3g times what its depth ruler would be taken for, and "
                "which is right cannot be told from the marks: its millimetres may be wrong by as much.",
                transfer->loops[i].file, transfer->loops[i].scale.tick_ratio);
    return true;
}

static bool of_cavity(struct text_list *cautions, const struct cavity *cavity)
{
    if (cavity->verdict == CAVITY_GIVEN)
        return text_list_add(cautions, "The cavity was marked by hand: distances are as good as the marks.");
    if (cavity->verdict == CAVITY_FOUND && cavity->trust < low_trust)
        return text_list_add(
            cautions,
            "The cavity was found with little trust (%.2f of 1). No picture is drawn: compare fundus_px and "
            "os_px in summary.json with the recording, and give --fundus X,Y and --os X,Y where they are "
            "wrong.",
            cavity->trust);
    return true;
}

/* Figures: docs/other-generators.md. */
static bool of_length(struct text_list *cautions, const struct cavity *cavity)
{
    if (cavity->verdict != CAVITY_FOUND || cavity->os_given)
        return true;
    return text_list_add(
        cautions,
        "Where the stripe thins out into the canal its end is uncertain, on made loops by 1 mm as a "
        "rule and by 10 mm in one of twenty: the cavity's length and the deposit's share of it rest on it.");
}

static bool of_amplitude(struct text_list *cautions, const struct contractions *contractions)
{
    bool has_interval = contractions->amplitude_mm.has_interval || contractions->amplitude_px.has_interval;

    if (!contractions->amplitude_mm.is_known && !contractions->amplitude_px.is_known)
        return true;
    if (has_interval)
        return text_list_add(
            cautions, "The amplitude is worked out for the walls from patches 5 mm wide, which read less: "
                      "it takes the motion to fall in a straight line from wall to wall. On made loops it "
                      "was 6 %% off as a rule, at the most 54 %%.");
    return text_list_add(cautions,
                         "The amplitude reads low, on made loops by 14 to 40 %%: it is averaged over tissue "
                         "beside the wall, which moves less, and how much less could not be seen here.");
}

static bool of_before_after(struct text_list *cautions, const struct before_after *seen)
{
    if (!seen->frequency_difference_per_min.is_known)
        return true;
    return text_list_add(
        cautions, "Before and after the deposit are compared as they were in these minutes: uneven waves "
                  "differ from one minute to the next without a cause, and that is not in the interval.");
}

static bool of_findings(struct text_list *cautions, const struct transfer *transfer)
{
    if ((transfer->deposit.verdict == DEPOSIT_MEASURED || transfer->drift.verdict == DRIFT_MEASURED) &&
        !text_list_add(cautions,
                       "The bubbles are air from the catheter. They stand in for the embryo, which is not "
                       "seen."))
        return false;
    for (size_t i = 0; i < transfer->n_loops; i++)
        if (transfer->loops[i].problems.n > 0)
            return text_list_add(cautions,
                                 "A recording has problems that are told beside it: read them first.");
    return true;
}

bool cautions_list(struct text_list *cautions, const struct transfer *transfer)
{
    return always(cautions) && of_scale(cautions, transfer) && of_pixels(cautions, transfer) &&
           of_ticks(cautions, transfer) && of_cavity(cautions, &transfer->cavity) &&
           of_length(cautions, &transfer->cavity) && of_amplitude(cautions, &transfer->contractions) &&
           of_before_after(cautions, &transfer->contractions.before_after) && of_findings(cautions, transfer);
}
