#include "transfer_fixture.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

enum { N_LINE = 3, N_ROWS = 3, N_POSITIONS = 2, N_TIMES = 3, N_WAVES = 2, N_WINDOWS = 2 };

static void *sure(void *memory)
{
    if (memory == NULL)
        abort();
    return memory;
}

static struct quantity known(double value)
{
    return quantity_of(value);
}

static struct scale region_scale(void)
{
    struct scale made = {.source = SCALE_DICOM_REGION, .mm_per_px_x = 0.1, .mm_per_px_y = 0.1};

    return made;
}

static struct cavity found_cavity(void)
{
    struct cavity made = {
        .verdict = CAVITY_FOUND,
        .frame = 12,
        .time_s = 1.0,
        .fundus_px = {412.25, 233.5},
        .os_px = {180.0, 301.0},
        .has_points = true,
        .n_centre_line = N_LINE,
        .length_mm = quantity_within(52.34, 51.0, 53.5),
        .length_px = known(523.4),
        .thickness_mm = known(9.81),
        .thickness_px = known(98.1),
        .trust = 0.86,
    };

    made.centre_line = sure(calloc(N_LINE, sizeof *made.centre_line));
    made.centre_line[0] = made.fundus_px;
    made.centre_line[1] = (struct point){300, 260};
    made.centre_line[2] = made.os_px;
    return made;
}

static struct contractions measured_contractions(void)
{
    struct contractions made = {
        .verdict = CONTRACTIONS_MEASURED,
        .frequency_per_min = quantity_within(3.1234567, 3.05, 3.2),
        .count = known(6),
        .amplitude_mm = quantity_within(0.4212, 0.35, 0.5),
        .amplitude_px = quantity_within(4.21, 3.5, 5.0),
        .velocity_mm_per_s = quantity_within(1.25, 1.15, 1.4),
        .velocity_px_per_s = quantity_within(12.5, 11.5, 14.0),
        .direction = DIRECTION_CERVIX_TO_FUNDUS,
        .assessed_s = 112.0,
        .false_alarm = known(0.0001),
        .n_waves = N_WAVES,
    };

    made.waves = sure(calloc(N_WAVES, sizeof *made.waves));
    made.waves[0] = (struct wave_seen){.end_s = known(24.5),
                                       .passes_middle_s = known(9.254),
                                       .direction = DIRECTION_CERVIX_TO_FUNDUS,
                                       .strength_mm = known(0.3871),
                                       .strength_px = known(3.871)};
    made.waves[1] = (struct wave_seen){.start_s = known(11.25),
                                       .end_s = known(43.0),
                                       .passes_middle_s = known(27.5),
                                       .direction = DIRECTION_CERVIX_TO_FUNDUS,
                                       .speed_mm_per_s = known(1.3),
                                       .speed_px_per_s = known(13.0),
                                       .strength_mm = known(0.45),
                                       .strength_px = known(4.5)};
    made.before_after = (struct before_after){
        .before = {.is_there = true,
                   .from_s = 0.5,
                   .to_s = 70.5,
                   .frequency_per_min = quantity_within(2.6, 2.4, 2.8),
                   .amplitude_mm = quantity_within(0.4, 0.3, 0.5),
                   .amplitude_px = quantity_within(4.0, 3.0, 5.0)},
        .after = {.is_there = true,
                  .from_s = 70.5,
                  .to_s = 150.5,
                  .frequency_per_min = quantity_within(3.4, 3.1, 3.7),
                  .amplitude_mm = quantity_within(0.45, 0.35, 0.55),
                  .amplitude_px = quantity_within(4.5, 3.5, 5.5)},
        .frequency_difference_per_min = quantity_within(0.8, 0.44, 1.16),
        .amplitude_difference_mm = quantity_within(0.05, -0.06, 0.16),
        .amplitude_difference_px = quantity_within(0.5, -0.6, 1.6),
    };
    made.n_over_time = N_WINDOWS;
    made.over_time = sure(calloc(N_WINDOWS, sizeof *made.over_time));
    made.over_time[0] =
        (struct rate_seen){.from_s = 0.5, .to_s = 60.5, .frequency_per_min = quantity_within(2.1, 1.9, 2.3)};
    made.over_time[1] =
        (struct rate_seen){.from_s = 10.5, .to_s = 70.5, .why = "no rhythm stands out in this window alone"};
    made.power_mm2_min = sure(calloc(N_WINDOWS * SPECTROGRAM_FREQUENCIES, sizeof *made.power_mm2_min));
    made.power_px2_min = sure(calloc(N_WINDOWS * SPECTROGRAM_FREQUENCIES, sizeof *made.power_px2_min));
    made.power_mm2_min[SPECTROGRAM_FREQUENCIES + 2] = 0.0425;
    made.power_px2_min[SPECTROGRAM_FREQUENCIES + 2] = 4.25;
    return made;
}

static struct deposit measured_deposit(void)
{
    struct deposit made = {
        .verdict = DEPOSIT_MEASURED,
        .time_s = known(14.25),
        .has_frame = true,
        .frame = 171,
        .has_point = true,
        .point_px = {330.5, 245.25},
        .to_fundus_mm = quantity_within(11.21, 10.8, 11.6),
        .to_fundus_px = known(112.1),
        .relative_depth = known(0.2142),
    };

    if (!text_list_add(&made.reasons, "the catheter's tip was not seen"))
        abort();
    return made;
}

static struct drift measured_drift(void)
{
    struct drift made = {
        .verdict = DRIFT_MEASURED,
        .net_mm = known(2.5),
        .toward_fundus_mm = quantity_within(-2.1, -2.4, -1.8),
        .by_speckle_mm = quantity_within(-2.3, -2.9, -1.7),
        .path_mm = known(4.0),
        .farthest_mm = known(2.8),
        .final_to_fundus_mm = known(13.3),
        .net_px = known(25),
        .toward_fundus_px = known(-21),
        .by_speckle_px = known(-23),
        .path_px = known(40),
        .farthest_px = known(28),
        .final_to_fundus_px = known(133),
        .spread_px = known(9),
        .followed_s = known(80.5),
        .spread_mm = known(0.9),
        .pieces = known(2),
    };

    return made;
}

static struct series_row row_at(size_t frame)
{
    struct series_row made = {
        .frame = frame,
        .time_s = (double)frame / 12.0,
        .fundus_x_px = known(412.25),
        .fundus_y_px = known(233.5),
        .rigid_x_px = known(-0.00004),
        .rigid_y_px = known(0.5),
        .trust = 0.9,
        .is_usable = frame != 1,
    };

    if (frame > 0) {
        made.bubble_x_px = known(330.5);
        made.bubble_y_px = known(245.25);
        made.to_fundus_mm = known(11.21);
        made.to_fundus_px = known(112.1);
    }
    return made;
}

static struct wall_motion motion_of(void)
{
    struct wall_motion made = {.n_positions = N_POSITIONS, .n_times = N_TIMES};

    made.position_px = sure(calloc(N_POSITIONS, sizeof *made.position_px));
    made.position_mm = sure(calloc(N_POSITIONS, sizeof *made.position_mm));
    made.time_s = sure(calloc(N_TIMES, sizeof *made.time_s));
    made.change_px = sure(calloc(N_POSITIONS * N_TIMES, sizeof *made.change_px));
    made.change_mm = sure(calloc(N_POSITIONS * N_TIMES, sizeof *made.change_mm));
    made.trust = sure(calloc(N_POSITIONS * N_TIMES, sizeof *made.trust));
    made.position_px[1] = 20;
    made.position_mm[1] = 2;
    for (size_t i = 0; i < N_TIMES; i++)
        made.time_s[i] = (double)i * 0.5;
    for (size_t i = 0; i < N_POSITIONS * N_TIMES; i++) {
        made.change_px[i] = (double)i;
        made.change_mm[i] = 0.1 * (double)i;
        made.trust[i] = 1.0F;
    }
    made.change_px[3] = NAN;
    made.change_mm[3] = NAN;
    made.trust[3] = 0.0F;
    return made;
}

static void fill_facts(struct loop_result *loop, const char *file)
{
    loop->path = sure(text_format("/home/someone/secret/%s", file));
    loop->file = sure(text_copy(file));
    memset(loop->sha256, 'a', 64);
    loop->format = sure(text_copy("mp4"));
    loop->codec = sure(text_copy("h264"));
    loop->width_px = 800;
    loop->height_px = 600;
    loop->frames = 1440;
    loop->duration_s = 120.0;
    loop->frame_rate_hz = 12.0;
    loop->has_start = true;
    loop->start_s = 1700000000.0;
}

static void fill_loop(struct loop_result *loop, const char *file)
{
    fill_facts(loop, file);
    loop->scale = region_scale();
    loop->cavity = found_cavity();
    loop->contractions = measured_contractions();
    loop->deposit = measured_deposit();
    loop->drift = measured_drift();
    loop->motion = motion_of();
    loop->series = sure(calloc(N_ROWS, sizeof *loop->series));
    loop->n_series = N_ROWS;
    for (size_t i = 0; i < N_ROWS; i++)
        loop->series[i] = row_at(i);
}

struct transfer *transfer_fixture_measured(void)
{
    struct transfer *made = sure(calloc(1, sizeof *made));

    made->loops = sure(calloc(1, sizeof *made->loops));
    made->n_loops = 1;
    fill_loop(&made->loops[0], "transfer, \"left\".mp4");
    made->scale = region_scale();
    made->cavity = found_cavity();
    made->contractions = measured_contractions();
    made->deposit = measured_deposit();
    made->drift = measured_drift();
    return made;
}

static void forget_mm(struct cavity *cavity, struct contractions *contractions, struct deposit *deposit,
                      struct drift *drift)
{
    struct quantity none = {0};

    cavity->length_mm = cavity->thickness_mm = none;
    contractions->amplitude_mm = contractions->velocity_mm_per_s = none;
    for (size_t i = 0; i < contractions->n_waves; i++)
        contractions->waves[i].speed_mm_per_s = contractions->waves[i].strength_mm = none;
    free(contractions->power_mm2_min);
    contractions->power_mm2_min = NULL;
    contractions->before_after.before.amplitude_mm = contractions->before_after.after.amplitude_mm = none;
    contractions->before_after.amplitude_difference_mm = none;
    if (!text_list_add(&contractions->before_after.reasons, "no scale is known"))
        abort();
    deposit->to_fundus_mm = deposit->tip_to_fundus_mm = none;
    drift->net_mm = drift->toward_fundus_mm = drift->path_mm = drift->farthest_mm = none;
    drift->final_to_fundus_mm = drift->spread_mm = drift->by_speckle_mm = none;
}

struct transfer *transfer_fixture_without_scale(void)
{
    struct transfer *made = transfer_fixture_measured();
    struct loop_result *loop = &made->loops[0];
    struct scale none = {.source = SCALE_NONE};

    made->scale = none;
    loop->scale = none;
    forget_mm(&made->cavity, &made->contractions, &made->deposit, &made->drift);
    forget_mm(&loop->cavity, &loop->contractions, &loop->deposit, &loop->drift);
    free(loop->motion.position_mm);
    free(loop->motion.change_mm);
    loop->motion.position_mm = loop->motion.change_mm = NULL;
    for (size_t i = 0; i < loop->n_series; i++)
        loop->series[i].to_fundus_mm = (struct quantity){0};
    return made;
}

struct transfer *transfer_fixture_nothing(void)
{
    struct transfer *made = sure(calloc(1, sizeof *made));

    made->loops = sure(calloc(1, sizeof *made->loops));
    made->n_loops = 1;
    fill_facts(&made->loops[0], "still.png");
    made->loops[0].frames = 1;
    made->loops[0].duration_s = 0;
    made->loops[0].frame_rate_hz = 0;
    return made;
}

struct transfer *transfer_fixture_quiet(void)
{
    struct transfer *made = sure(calloc(1, sizeof *made));

    made->loops = sure(calloc(1, sizeof *made->loops));
    made->n_loops = 1;
    fill_facts(&made->loops[0], "quiet.avi");
    made->scale = region_scale();
    made->cavity = found_cavity();
    made->contractions.verdict = CONTRACTIONS_QUIESCENT;
    made->contractions.assessed_s = 112;
    made->deposit.verdict = DEPOSIT_NONE_SEEN;
    made->drift.verdict = DRIFT_NONE_SEEN;
    return made;
}

struct transfer *transfer_fixture_two_loops(void)
{
    struct transfer *made = transfer_fixture_measured();
    struct loop_result *loops = sure(realloc(made->loops, 2 * sizeof *loops));

    memset(&loops[1], 0, sizeof loops[1]);
    made->loops = loops;
    made->n_loops = 2;
    fill_loop(&loops[1], "later.dcm");
    made->drift.follow_ups = sure(calloc(1, sizeof *made->drift.follow_ups));
    made->drift.n_follow_ups = 1;
    made->drift.follow_ups[0] = (struct follow_up){
        .loop = 1,
        .minutes_after_deposit = known(5.0),
        .to_fundus_mm = known(10.2),
        .toward_fundus_mm = known(1.0),
    };
    return made;
}

static void free_findings(struct scale *scale, struct cavity *cavity, struct contractions *contractions,
                          struct deposit *deposit, struct drift *drift)
{
    text_list_free(&scale->reasons);
    free(cavity->centre_line);
    text_list_free(&cavity->reasons);
    contractions_free(contractions);
    text_list_free(&deposit->reasons);
    free(drift->follow_ups);
    text_list_free(&drift->reasons);
}

static void free_loop(struct loop_result *loop)
{
    free(loop->path);
    free(loop->file);
    free(loop->format);
    free(loop->codec);
    text_list_free(&loop->problems);
    free_findings(&loop->scale, &loop->cavity, &loop->contractions, &loop->deposit, &loop->drift);
    free(loop->series);
    free(loop->motion.position_mm);
    free(loop->motion.position_px);
    free(loop->motion.time_s);
    free(loop->motion.change_mm);
    free(loop->motion.change_px);
    free(loop->motion.trust);
}

void transfer_fixture_free(struct transfer **transfer)
{
    if (transfer == NULL || *transfer == NULL)
        return;
    for (size_t i = 0; i < (*transfer)->n_loops; i++)
        free_loop(&(*transfer)->loops[i]);
    free((*transfer)->loops);
    free_findings(&(*transfer)->scale, &(*transfer)->cavity, &(*transfer)->contractions,
                  &(*transfer)->deposit, &(*transfer)->drift);
    text_list_free(&(*transfer)->notes);
    free(*transfer);
    *transfer = NULL;
}

char *transfer_fixture_text(void (*write)(FILE *to, const struct transfer *transfer),
                            const struct transfer *transfer)
{
    char *text = NULL;
    size_t n = 0;
    FILE *to = sure(open_memstream(&text, &n));

    write(to, transfer);
    if (fclose(to) != 0)
        abort();
    return text;
}
