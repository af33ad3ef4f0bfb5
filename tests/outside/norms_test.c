/* The table of published figures against the figures as the sources print them, entered here a
 * second time and by another way: from their counts and their own units where they have them. */
#include "measure/norms.h"

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>

static void assert_near(double value, double wanted)
{
    assert_true(fabs(value - wanted) < 1e-9);
}

static const struct norm *row_of(const char *id)
{
    const struct norm *norm = norms_find(id);

    if (norm == NULL)
        fail_msg("no row %s", id);
    return norm;
}

static void rates_round_a_transfer_are_those_of_chung_2017(void **state)
{
    /* Reprod Biomed Online 2017;34:240-7: 1.8 +/- 1.1, 2.0 +/- 1.1 and 1.8 +/- 1.1 per min, 286 transfers */
    static const struct {
        const char *id;
        double mean;
    } printed[] = {{"chung-2017-before", 1.8}, {"chung-2017-after", 2.0}, {"chung-2017-hour", 1.8}};

    (void)state;
    for (size_t i = 0; i < sizeof printed / sizeof printed[0]; i++) {
        const struct norm *norm = row_of(printed[i].id);

        assert_near(norm->middle, printed[i].mean);
        assert_near(norm->spread, 1.1);
        assert_int_equal(norm->n_cases, 286);
        assert_int_equal(norm->kind, NORMS_MEAN);
        assert_near(norm->low, 0.0); /* 1.8 - 2.2 and 2.0 - 2.2 are below 0, which no rate is */
        assert_near(norm->high, printed[i].mean + 2.2);
    }
    assert_ptr_equal(norms_beside(NORMS_FREQUENCY_PER_MIN), row_of("chung-2017-before"));
}

static void rates_of_other_settings_are_as_printed(void **state)
{
    /* Fanchin, Hum Reprod 2001;16:1115-9: 3.5 on hCG + 4 days, 1.5 on hCG + 7; the abstract does not say what
     * its +/- is */
    assert_near(row_of("fanchin-2001-cleavage")->middle, 3.5);
    assert_near(row_of("fanchin-2001-blastocyst")->middle, 1.5);
    assert_int_equal(row_of("fanchin-2001-blastocyst")->kind, NORMS_MEAN_ONLY);
    /* Zhu, Hum Reprod 2014;29:279-85: 2.24 +/- 0.74 before and 3.06 +/- 0.99 after a mock transfer, 112 women
     */
    assert_near(row_of("zhu-2014-before")->middle, 2.24);
    assert_near(row_of("zhu-2014-before")->high, 3.72);
    assert_near(row_of("zhu-2014-after")->low, 1.08);
    assert_int_equal(row_of("zhu-2014-after")->n_cases, 112);
    /* Lesny, Hum Reprod Update 1998;4:440-5: "4.29 +/- 0.68 waves/min and 2.73 +/- 0.54 mm/s" */
    assert_near(row_of("lesny-1998-retrieval")->middle, 4.29);
    assert_near(row_of("lesny-1998-velocity")->middle, 2.73);
    assert_near(row_of("lesny-1998-velocity")->spread, 0.54);
    /* Meirzon, Ultrasound Obstet Gynecol 2011;38:217-24: 0.049 +/- 0.01 Hz */
    assert_near(row_of("meirzon-2011-frequency")->middle, 0.049 * 60);
    assert_near(row_of("meirzon-2011-frequency")->spread, 0.01 * 60);
    /* Rees 2022: 1.61, 1.31, 1.35 per min; 0.81, 0.67, 0.62 mm/s */
    assert_near(row_of("rees-2022-frequency")->low, fmin(1.61, fmin(1.31, 1.35)));
    assert_near(row_of("rees-2022-frequency")->high, 1.61);
    assert_near(row_of("rees-2022-velocity")->low, fmin(0.81, fmin(0.67, 0.62)));
    assert_near(row_of("rees-2022-velocity")->high, 0.81);
    (void)state;
}

static void amplitudes_are_those_of_meirzon_2011_and_say_that_they_are_of_one_wall(void **state)
{
    (void)state;
    /* "1 +/- 0.25 mm", 7-17 mm from the fundus; centre line 0.94 +/- 0.34 mm */
    assert_near(row_of("meirzon-2011-interface")->middle, 1.0);
    assert_near(row_of("meirzon-2011-interface")->spread, 0.25);
    assert_near(row_of("meirzon-2011-centre")->middle, 0.94);
    assert_near(row_of("meirzon-2011-centre")->spread, 0.34);
    for (size_t i = 0; i < norms_count(); i++)
        if (norms_row(i)->quantity == NORMS_AMPLITUDE_MM)
            assert_non_null(strstr(norms_row(i)->caution, "one interface"));
}

static void depths_are_counted_as_in_the_tables_of_their_sources(void **state)
{
    /* He, Reprod Fertil 2024: up to 3, 3-15, 15 mm and more: cleavage 21, 280, 16; blastocyst 54, 708, 80 */
    static const int he[2][3] = {{21, 280, 16}, {54, 708, 80}};
    /* Angun, Hum Fertil 2024: 123 nearer, 476 in the zone, 12 further */
    static const int angun[3] = {123, 476, 12};
    const struct norm *norm = row_of("he-2024-depth");
    int all = 0;

    (void)state;
    for (int i = 0; i < 2; i++)
        for (int j = 0; j < 3; j++)
            all += he[i][j];
    assert_int_equal(norm->n_cases, all);
    assert_int_equal(norm->n_inside, he[0][1] + he[1][1]);
    assert_near(norm->low, 3.0);
    assert_near(norm->high, 15.0);
    norm = row_of("angun-2024-depth");
    assert_int_equal(norm->n_cases, angun[0] + angun[1] + angun[2]);
    assert_int_equal(norm->n_inside, angun[1]);
    assert_int_equal(row_of("angun-2024-zone")->n_inside, angun[0]);
    /* Lambers, Fertil Steril 2007: 8.7 and 10.2 mm; 0.36 and 0.45 of the plate; 367 transfers */
    assert_near(row_of("lambers-2007-depth")->low, 8.7);
    assert_near(row_of("lambers-2007-depth")->high, 10.2);
    assert_near(row_of("lambers-2007-relative")->low, 0.36);
    assert_near(row_of("lambers-2007-relative")->high, 0.45);
    assert_int_equal(row_of("lambers-2007-depth")->n_cases, 367);
}

static void migrations_are_as_printed(void **state)
{
    (void)state;
    /* Gynecol Obstet Invest 2009;68:122-6: one bubble 2.69 and 2.00 mm; two 3.07, 1.80, 2.69, 1.80 mm; 57 and
     * 28 transfers */
    assert_near(row_of("bed-rest-2009-one")->low, 2.00);
    assert_near(row_of("bed-rest-2009-one")->high, 2.69);
    assert_near(row_of("bed-rest-2009-two")->low, fmin(3.07, fmin(1.80, 2.69)));
    assert_near(row_of("bed-rest-2009-two")->high, 3.07);
    assert_int_equal(row_of("bed-rest-2009-one")->n_cases, 57);
    assert_int_equal(row_of("bed-rest-2009-two")->n_cases, 28);
    /* Woolcott and Stanger, Hum Reprod 1998;13:2107-9: 95 none, 4 below 1 cm, 2 of 1-5 cm, of 101 */
    assert_int_equal(row_of("woolcott-1998-standing")->n_inside, 95 + 4);
    assert_int_equal(row_of("woolcott-1998-standing")->n_cases, 95 + 4 + 2);
    assert_near(row_of("woolcott-1998-standing")->high, 10.0);
}

static void every_row_names_its_people_its_source_and_stands_in_order(void **state)
{
    (void)state;
    assert_true(norms_count() > 15);
    assert_null(norms_row(norms_count()));
    for (size_t i = 0; i < norms_count(); i++) {
        const struct norm *norm = norms_row(i);
        const struct norm *before = i == 0 ? NULL : norms_row(i - 1);

        assert_true(strlen(norm->population) > 8);
        assert_non_null(strstr(norm->citation, "20") ? strstr(norm->citation, "20")
                                                     : strstr(norm->citation, "19"));
        assert_true(norm->low <= norm->high);
        assert_ptr_equal(norms_find(norm->id), norm);
        if (norm->kind == NORMS_SHARE)
            assert_true(norm->n_inside > 0 && norm->n_inside <= norm->n_cases);
        if (before != NULL && before->quantity == norm->quantity)
            assert_true(before->setting <= norm->setting);
        else if (before != NULL)
            assert_true(before->quantity < norm->quantity);
    }
    for (int quantity = NORMS_FREQUENCY_PER_MIN; quantity <= NORMS_MIGRATION_DIRECTION; quantity++)
        assert_non_null(norms_beside((enum norms_quantity)quantity));
}

static void a_row_in_words_gives_figure_and_source_and_forecasts_nothing(void **state)
{
    static const char *const forbidden[] = {"predict", "likely",  "normal", "chance",
                                            "success", "pregnan", "should"};

    (void)state;
    for (size_t i = 0; i < norms_count(); i++) {
        char *text = norms_text(norms_row(i));

        assert_non_null(text);
        assert_int_equal(strncmp(text, "published: ", 11), 0);
        assert_non_null(strstr(text, norms_row(i)->citation));
        for (size_t j = 0; j < sizeof forbidden / sizeof forbidden[0]; j++)
            assert_null(strstr(text, forbidden[j]));
        assert_null(strstr(text, "inf"));
        free(text);
    }
    char *text = norms_text(norms_find("chung-2017-before"));

    assert_non_null(text);
    assert_string_equal(
        text, "published: mean 1.8, SD 1.1 per min (286 cases: fresh transfers, 5 min before; Chung et al., "
              "Reprod Biomed Online 2017;34:240-7, doi 10.1016/j.rbmo.2016.12.011)");
    free(text);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(rates_round_a_transfer_are_those_of_chung_2017),
        cmocka_unit_test(rates_of_other_settings_are_as_printed),
        cmocka_unit_test(amplitudes_are_those_of_meirzon_2011_and_say_that_they_are_of_one_wall),
        cmocka_unit_test(depths_are_counted_as_in_the_tables_of_their_sources),
        cmocka_unit_test(migrations_are_as_printed),
        cmocka_unit_test(every_row_names_its_people_its_source_and_stands_in_order),
        cmocka_unit_test(a_row_in_words_gives_figure_and_source_and_forecasts_nothing),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
