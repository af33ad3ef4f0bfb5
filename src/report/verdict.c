#include "report/verdict.h"

const char *verdict_of_cavity(enum cavity_verdict verdict)
{
    switch (verdict) {
    case CAVITY_FOUND:
        return "found";
    case CAVITY_GIVEN:
        return "given";
    case CAVITY_NOT_FOUND:
        break;
    }
    return "not-found";
}

const char *verdict_of_contractions(enum contractions_verdict verdict)
{
    switch (verdict) {
    case CONTRACTIONS_MEASURED:
        return "measured";
    case CONTRACTIONS_QUIESCENT:
        return "quiescent";
    case CONTRACTIONS_NOT_ASSESSABLE:
        break;
    }
    return "not-assessable";
}

const char *verdict_of_deposit(enum deposit_verdict verdict)
{
    switch (verdict) {
    case DEPOSIT_MEASURED:
        return "measured";
    case DEPOSIT_NONE_SEEN:
        return "none-seen";
    case DEPOSIT_NOT_ASSESSABLE:
        break;
    }
    return "not-assessable";
}

const char *verdict_of_drift(enum drift_verdict verdict)
{
    switch (verdict) {
    case DRIFT_MEASURED:
        return "measured";
    case DRIFT_NONE_SEEN:
        return "none-seen";
    case DRIFT_NOT_ASSESSABLE:
        break;
    }
    return "not-assessable";
}

const char *verdict_of_direction(enum wave_direction direction)
{
    switch (direction) {
    case DIRECTION_CERVIX_TO_FUNDUS:
        return "cervix-to-fundus";
    case DIRECTION_FUNDUS_TO_CERVIX:
        return "fundus-to-cervix";
    case DIRECTION_OPPOSING:
        return "opposing";
    case DIRECTION_MIXED:
        return "mixed";
    case DIRECTION_UNDETERMINED:
        break;
    }
    return "undetermined";
}

const char *verdict_of_scale(enum scale_source source)
{
    switch (source) {
    case SCALE_DICOM_REGION:
        return "dicom-region";
    case SCALE_RULER:
        return "ruler";
    case SCALE_GIVEN:
        return "given";
    case SCALE_NONE:
        break;
    }
    return "none";
}
