#include "image/survey.h"

#include "base/parallel.h"
#include "base/wide.h"
#include "image/survey_internal.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

enum {
    SAMPLES_ACROSS = 256,   /* about so many samples across and down: enough for speckle, cheap */
    STRUCTURE_MIN_AGE = 6,  /* checks that a mark must have stood to count as burned in */
    STRUCTURE_BRIGHT = 70,  /* luma of text and ticks, against a dark surrounding */
    STRUCTURE_SAME = 12,    /* luma within coding noise of a still mark */
    STRUCTURE_CHANGED = 40, /* luma change of a mark that went */
    STRUCTURE_MIN_PX = 60,  /* fewer marks than this say nothing */
    FRAMES_AHEAD = 4,
};

static const double STRUCTURE_EVERY_S = 0.25; /* common practice, no source */

struct survey_builder {
    int width_px;
    int height_px;
    int step_px; /* between samples */
    int n_across;
    int n_down;
    uint8_t *samples; /* of the frame before */
    uint8_t *fresh;
    uint8_t *marks; /* luma of each pixel at its last change seen by the structure check */
    uint8_t *ages;  /* checks since then */
    double checked_s;
    struct survey_row *rows;
    size_t n;
    size_t n_room;
    struct survey_planes planes;
};

static bool builder_size(struct survey_builder *builder, const struct frame *frame, struct error **err)
{
    int longest = frame->width_px > frame->height_px ? frame->width_px : frame->height_px;
    size_t pixels = (size_t)frame->width_px * (size_t)frame->height_px;

    builder->width_px = frame->width_px;
    builder->height_px = frame->height_px;
    builder->step_px = longest / SAMPLES_ACROSS > 1 ? longest / SAMPLES_ACROSS : 1;
    builder->n_across = (frame->width_px + builder->step_px - 1) / builder->step_px;
    builder->n_down = (frame->height_px + builder->step_px - 1) / builder->step_px;
    builder->samples = calloc((size_t)builder->n_across * (size_t)builder->n_down, 1);
    builder->fresh = calloc((size_t)builder->n_across * (size_t)builder->n_down, 1);
    builder->marks = malloc(pixels);
    builder->ages = calloc(pixels, 1);
    if (builder->samples == NULL || builder->fresh == NULL || builder->marks == NULL || builder->ages == NULL)
        return error_memory(err);
    memcpy(builder->marks, frame->luma, pixels);
    builder->checked_s = frame->time_s;
    return true;
}

static struct survey_row *builder_row(struct survey_builder *builder, struct error **err)
{
    if (builder->n == builder->n_room) {
        size_t n_room = builder->n_room ? builder->n_room * 2 : 256;
        struct survey_row *rows = realloc(builder->rows, n_room * sizeof *rows);

        if (rows == NULL) {
            (void)error_memory(err);
            return NULL;
        }
        builder->rows = rows;
        builder->n_room = n_room;
    }
    memset(&builder->rows[builder->n], 0, sizeof builder->rows[builder->n]);
    return &builder->rows[builder->n++];
}

static int block_of(int at, int n, int n_blocks)
{
    return at * n_blocks / n;
}

/** Adds one row of samples to the sums of its blocks. */
static void sum_samples(const struct survey_builder *builder, const struct frame *frame, int row,
                        uint32_t *mean, uint32_t *difference, uint32_t *count)
{
    size_t step = (size_t)builder->step_px;
    const uint8_t *luma = frame->luma + (size_t)row * step * (size_t)frame->width_px;
    const uint8_t *before = builder->samples + (size_t)row * (size_t)builder->n_across;
    uint8_t *fresh = builder->fresh + (size_t)row * (size_t)builder->n_across;
    int first = block_of(row, builder->n_down, SURVEY_BLOCKS_Y) * SURVEY_BLOCKS_X;

    for (int i = 0; i < SURVEY_BLOCKS_X; i++) {
        int from = (builder->n_across * i + SURVEY_BLOCKS_X - 1) / SURVEY_BLOCKS_X;
        int to = (builder->n_across * (i + 1) + SURVEY_BLOCKS_X - 1) / SURVEY_BLOCKS_X;
        uint32_t sum = 0;
        uint32_t change = 0;

        for (int x = from; x < to; x++) {
            uint8_t value = luma[(size_t)x * step];

            fresh[x] = value;
            sum += value;
            change += (uint32_t)abs((int)value - (int)before[x]);
        }
        mean[first + i] += sum;
        difference[first + i] += change;
        count[first + i] += (uint32_t)(to - from);
    }
}

static void fill_row(struct survey_builder *builder, const struct frame *frame, struct survey_row *row)
{
    uint32_t mean[SURVEY_BLOCKS] = {0};
    uint32_t difference[SURVEY_BLOCKS] = {0};
    uint32_t count[SURVEY_BLOCKS] = {0};
    double change = 0;
    uint8_t *swapped = builder->samples;
    bool is_first = builder->n == 1;

    for (int y = 0; y < builder->n_down; y++)
        sum_samples(builder, frame, y, mean, difference, count);
    for (int i = 0; i < SURVEY_BLOCKS; i++) {
        double n = count[i] ? (double)count[i] : 1;
        double level = is_first ? 0 : (double)difference[i] / n;
        double kept = level * SURVEY_DIFFERENCE_STEPS;

        row->mean[i] = (uint8_t)lround((double)mean[i] / n);
        row->difference[i] = (uint8_t)(kept > 255 ? 255 : lround(kept));
        change += is_first ? 0 : (double)difference[i];
    }
    row->time_s = frame->time_s;
    row->change = (float)(change / ((double)builder->n_across * (double)builder->n_down));
    builder->samples = builder->fresh;
    builder->fresh = swapped;
}

/** How many marks stand still, and how many of them have gone or moved. */
struct mark_counts {
    unsigned n_steady, n_changed;
};

WIDE static struct mark_counts count_marks(uint8_t *restrict marks, uint8_t *restrict ages,
                                           const uint8_t *restrict luma, size_t n)
{
    unsigned n_steady = 0;
    unsigned n_changed = 0;

#pragma omp simd reduction(+ : n_steady, n_changed)
    for (size_t i = 0; i < n; i++) {
        uint8_t mark = marks[i];
        uint8_t age = ages[i];
        int difference = abs((int)luma[i] - (int)mark);
        int steady = age >= STRUCTURE_MIN_AGE ? mark : 0;
        int gone = difference > STRUCTURE_CHANGED ? steady : 0; /* more than STRUCTURE_SAME */
        uint8_t older = (uint8_t)(age < 255 ? age + 1 : 255);

        n_steady += steady >= STRUCTURE_BRIGHT ? 1 : 0;
        n_changed += gone >= STRUCTURE_BRIGHT ? 1 : 0;
        marks[i] = difference <= STRUCTURE_SAME ? mark : luma[i];
        ages[i] = difference <= STRUCTURE_SAME ? older : 0;
    }
    return (struct mark_counts){n_steady, n_changed};
}

/** Looks whether marks that stood still for long have gone or moved; returns their share. */
static float check_structure(struct survey_builder *builder, const struct frame *frame)
{
    size_t n = (size_t)frame->width_px * (size_t)frame->height_px;
    struct mark_counts counts = count_marks(builder->marks, builder->ages, frame->luma, n);

    return counts.n_steady < STRUCTURE_MIN_PX ? 0.0F : (float)counts.n_changed / (float)counts.n_steady;
}

/** True when no block changed by more than the last bit of coding noise. */
static bool is_same_picture(const struct survey_row *row)
{
    for (int i = 0; i < SURVEY_BLOCKS; i++)
        if (row->difference[i] > SURVEY_DIFFERENCE_STEPS / 4)
            return false;
    return true;
}

bool survey_begin(struct survey_builder **builder, struct error **err)
{
    *builder = calloc(1, sizeof **builder);
    return *builder != NULL || error_memory(err);
}

bool survey_add(struct survey_builder *builder, const struct frame *frame, struct error **err)
{
    struct survey_row *row = NULL;

    if (builder->n == 0 && !builder_size(builder, frame, err))
        return false;
    if (frame->width_px != builder->width_px || frame->height_px != builder->height_px)
        return error_set(err, ERROR_INPUT, "frame %zu is %d x %d px but the first is %d x %d px",
                         frame->index + 1, frame->width_px, frame->height_px, builder->width_px,
                         builder->height_px);
    row = builder_row(builder, err);
    if (row == NULL)
        return false;
    fill_row(builder, frame, row);
    if (builder->n > 1 && is_same_picture(row))
        return true;
    if (frame->time_s - builder->checked_s >= STRUCTURE_EVERY_S) {
        row->structure = check_structure(builder, frame);
        builder->checked_s = frame->time_s;
    }
    return survey_planes_add(&builder->planes, frame, err);
}

void survey_abandon(struct survey_builder **builder)
{
    if (builder == NULL || *builder == NULL)
        return;
    free((*builder)->samples);
    free((*builder)->fresh);
    free((*builder)->marks);
    free((*builder)->ages);
    free((*builder)->rows);
    survey_planes_free(&(*builder)->planes);
    free(*builder);
    *builder = NULL;
}

static struct survey *survey_of_rows(const struct survey_builder *builder)
{
    struct survey *made = calloc(1, sizeof *made);
    size_t n = builder->n;

    if (made == NULL)
        return NULL;
    made->width_px = builder->width_px;
    made->height_px = builder->height_px;
    made->n_frames = n;
    made->time_s = calloc(n, sizeof *made->time_s);
    made->brightness = calloc(n, sizeof *made->brightness);
    made->change = calloc(n, sizeof *made->change);
    made->is_repeat = calloc(n, sizeof *made->is_repeat);
    made->gain = calloc(n, sizeof *made->gain);
    if (!made->time_s || !made->brightness || !made->change || !made->is_repeat || !made->gain) {
        survey_free(&made);
        return NULL;
    }
    for (size_t i = 0; i < n; i++) {
        made->time_s[i] = builder->rows[i].time_s;
        made->change[i] = builder->rows[i].change;
    }
    return made;
}

bool survey_finish(struct survey **survey, struct survey_builder **builder, bool has_clock,
                   struct error **err)
{
    CLEANUP(survey_abandon) struct survey_builder *ending = *builder;
    CLEANUP(survey_free) struct survey *made = NULL;

    *builder = NULL;
    if (ending->n == 0) /* NOLINT(clang-analyzer-core.NullDereference): a builder was begun */
        return error_set(err, ERROR_INPUT, "no frame could be read");
    made = survey_of_rows(ending);
    if (made == NULL)
        return error_memory(err);
    if (!survey_planes_finish(&ending->planes, made, err) || !survey_judge_clock(made, has_clock, err) ||
        !survey_judge_rows(made, ending->rows, has_clock, err))
        return false;
    *survey = made;
    made = NULL;
    return true;
}

/** Sums the planes again over one stretch only: they must not mix two geometries. */
static bool survey_planes_again(struct survey *survey, struct loop *loop, struct error **err)
{
    struct stretch stretch = survey->stretches[0];
    struct survey_planes planes = {0};
    bool is_good = loop_rewind(loop, err);

    for (size_t i = 0; is_good && i < stretch.end; i++) {
        CLEANUP(frame_free) struct frame *frame = NULL;
        enum loop_next next = loop_read(loop, 0, true, &frame, err);

        is_good = next != LOOP_FAILED;
        if (next != LOOP_FRAME)
            break;
        if (i >= stretch.first && !survey->is_repeat[i])
            is_good = survey_planes_add(&planes, frame, err);
    }
    is_good = is_good && (planes.n_taken == 0 || survey_planes_finish(&planes, survey, err));
    survey_planes_free(&planes);
    return is_good;
}

/* A few frames read while the few before are looked at: decoding and looking share two cores. */
struct ahead {
    struct loop *loop;
    struct survey_builder *builder;
    bool (*show)(void *context, const struct frame *frame, struct error **err);
    void *context;
    struct frame *read[FRAMES_AHEAD];
    struct frame *now[FRAMES_AHEAD];
    size_t n_read, n_now;
    enum loop_next next;
    struct error *read_err;
    bool is_added;
    struct error *add_err;
};

static void read_ahead(struct ahead *ahead)
{
    ahead->n_read = 0;
    while (ahead->n_read < FRAMES_AHEAD && ahead->next == LOOP_FRAME) {
        ahead->next = loop_read(ahead->loop, 0, true, &ahead->read[ahead->n_read], &ahead->read_err);
        ahead->n_read += ahead->next == LOOP_FRAME;
    }
}

static void add_frames(struct ahead *ahead)
{
    for (size_t i = 0; i < ahead->n_now && ahead->is_added; i++)
        ahead->is_added =
            survey_add(ahead->builder, ahead->now[i], &ahead->add_err) &&
            (ahead->show == NULL || ahead->show(ahead->context, ahead->now[i], &ahead->add_err));
}

static void read_or_add(void *context, size_t i)
{
    if (i == 0)
        read_ahead(context);
    else
        add_frames(context);
}

static void pass_on(struct error **from, struct error **err)
{
    if (err == NULL)
        error_free(from);
    else
        *err = *from;
}

static bool add_all(struct ahead *ahead, struct error **err)
{
    do {
        for (size_t i = 0; i < ahead->n_now; i++)
            frame_free(&ahead->now[i]);
        memcpy(ahead->now, ahead->read, sizeof ahead->now);
        memset(ahead->read, 0, sizeof ahead->read);
        ahead->n_now = ahead->n_read;
        parallel_run(2, 2, read_or_add, ahead);
    } while (ahead->is_added && ahead->n_read > 0);
    for (size_t i = 0; i < FRAMES_AHEAD; i++) {
        frame_free(&ahead->now[i]);
        frame_free(&ahead->read[i]);
    }
    /* the frame that could not be added comes before the one that could not be read */
    if (!ahead->is_added) {
        error_free(&ahead->read_err);
        pass_on(&ahead->add_err, err);
        return error_context(err, "%s", loop_facts(ahead->loop)->path);
    }
    pass_on(&ahead->read_err, err);
    return ahead->next != LOOP_FAILED;
}

bool survey_make_showing(struct survey **survey, struct loop *loop,
                         bool (*show)(void *context, const struct frame *frame, struct error **err),
                         void *context, struct error **err)
{
    CLEANUP(survey_abandon) struct survey_builder *builder = NULL;
    CLEANUP(survey_free) struct survey *made = NULL;
    struct ahead ahead = {
        .loop = loop, .show = show, .context = context, .next = LOOP_FRAME, .is_added = true};

    if (!loop_rewind(loop, err) || !survey_begin(&builder, err))
        return false;
    ahead.builder = builder;
    if (!add_all(&ahead, err))
        return false;
    if (!survey_finish(&made, &builder, loop_facts(loop)->has_clock, err))
        return error_context(err, "%s", loop_facts(loop)->path);
    /* NOLINTNEXTLINE(clang-analyzer-core.NullDereference): survey_finish made it or failed */
    if (made->n_stretches > 1 && !survey_planes_again(made, loop, err))
        return false;
    *survey = made;
    made = NULL;
    return true;
}

bool survey_make(struct survey **survey, struct loop *loop, struct error **err)
{
    return survey_make_showing(survey, loop, NULL, NULL, err);
}

void survey_free(struct survey **survey)
{
    struct survey *ending = survey ? *survey : NULL;

    if (ending == NULL)
        return;
    free(ending->time_s);
    free(ending->brightness);
    free(ending->change);
    free(ending->is_repeat);
    free(ending->gain);
    free(ending->mean);
    free(ending->deviation);
    free(ending->highest);
    free(ending->lowest);
    free(ending->colour);
    free(ending->stretches);
    text_list_free(&ending->problems);
    free(ending);
    *survey = NULL;
}
