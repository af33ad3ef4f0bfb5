#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

#include "commands/command.h"
#include "commands/options.h"

#include <ctype.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

struct settings {
    bool force;
    const char *out;
    double scale;
    long frames;
    struct option_point mark;
    int way;
};

static const char *const ways[] = {"up", "down", NULL};
static const struct option_row rows[] = {
    {.name = "force", .kind = OPTION_FLAG, .summary = "s", .offset = offsetof(struct settings, force)},
    {.name = "out",
     .kind = OPTION_TEXT,
     .argument = "DIR",
     .wanted = "a folder",
     .offset = offsetof(struct settings, out)},
    {.name = "scale",
     .kind = OPTION_NUMBER,
     .argument = "N",
     .wanted = "a number from 1 to 2",
     .low = 1,
     .high = 2,
     .offset = offsetof(struct settings, scale)},
    {.name = "frames",
     .kind = OPTION_INTEGER,
     .argument = "N",
     .wanted = "a whole number from 0 to 9",
     .low = 0,
     .high = 9,
     .offset = offsetof(struct settings, frames)},
    {.name = "mark",
     .kind = OPTION_POINT,
     .argument = "X,Y",
     .wanted = "two numbers",
     .offset = offsetof(struct settings, mark)},
    {.name = "way",
     .kind = OPTION_CHOICE,
     .argument = "W",
     .wanted = "up or down",
     .choices = ways,
     .offset = offsetof(struct settings, way)},
};
enum { N_ROWS = sizeof rows / sizeof rows[0], MOST_WORDS = 20 };

struct parsed {
    struct settings settings;
    char *words[MOST_WORDS];
    int n_words;
    int first;
    bool wants_help;
    bool is_good;
    struct error *err;
};

/* Splits the line at blanks and parses it; "''" stands for an empty word. */
static struct parsed parsed_from(const char *line)
{
    static char copy[256];
    struct parsed made = {0};
    char *rest = NULL;

    (void)snprintf(copy, sizeof copy, "test %s", line);
    for (char *word = strtok_r(copy, " ", &rest); word != NULL; word = strtok_r(NULL, " ", &rest)) {
        if (strcmp(word, "''") == 0)
            word[0] = '\0';
        made.words[made.n_words++] = word;
    }
    made.is_good = options_parse(rows, N_ROWS, made.n_words, made.words, &made.settings, &made.first,
                                 &made.wants_help, &made.err);
    return made;
}

static void every_kind_of_value_reaches_its_field(void **state)
{
    struct parsed made = parsed_from("--force --out d --scale 1.5 --frames=7 --mark -3,4.25 --way down a b");

    (void)state;
    assert_true(made.is_good);
    assert_true(made.settings.force);
    assert_string_equal(made.settings.out, "d");
    assert_float_equal(made.settings.scale, 1.5, 0);
    assert_int_equal(made.settings.frames, 7);
    assert_true(made.settings.mark.is_given);
    assert_float_equal(made.settings.mark.point.x_px, -3, 0);
    assert_float_equal(made.settings.mark.point.y_px, 4.25, 0);
    assert_int_equal(made.settings.way, 1);
    assert_int_equal(made.n_words - made.first, 2);
    assert_string_equal(made.words[made.first], "a");
}

static void options_and_operands_may_be_mixed(void **state)
{
    struct parsed made = parsed_from("a --force b -- --out");

    (void)state;
    assert_true(made.is_good);
    assert_true(made.settings.force);
    assert_int_equal(made.n_words - made.first, 3);
    assert_string_equal(made.words[made.n_words - 1], "--out");
}

static void a_bad_value_names_option_value_and_what_is_wanted(void **state)
{
    static const char *const lines[][2] = {
        {"--scale 0.5", "--scale 0.5: wanted is a number from 1 to 2"},
        {"--scale 2.01", "--scale 2.01: wanted is a number from 1 to 2"},
        {"--scale 1,5", "--scale 1,5: wanted is a number from 1 to 2"},
        {"--scale nan", "--scale nan: wanted is a number from 1 to 2"},
        {"--scale 1.5mm", "--scale 1.5mm: wanted is a number from 1 to 2"},
        {"--scale ''", "--scale '': wanted is a number from 1 to 2"},
        {"--frames 10", "--frames 10: wanted is a whole number from 0 to 9"},
        {"--frames 1.5", "--frames 1.5: wanted is a whole number from 0 to 9"},
        {"--mark 3", "--mark 3: wanted is two numbers"},
        {"--mark 3,", "--mark 3,: wanted is two numbers"},
        {"--mark ,3", "--mark ,3: wanted is two numbers"},
        {"--mark 3,4,5", "--mark 3,4,5: wanted is two numbers"},
        {"--mark inf,4", "--mark inf,4: wanted is two numbers"},
        {"--way left", "--way left: wanted is up or down"},
        {"--out ''", "--out '': wanted is a folder"},
        {"--out", "--out has no value: wanted is a folder"},
        {"--force=1", "--force=1: this option takes no value"},
        {"--force --force", "--force: given twice; give it once"},
        {"--none", "--none: there is no such option; see afterflash test --help"},
        {"--f", "--f: there is no such option; see afterflash test --help"},
        {"--sca 1.5", "--sca: there is no such option; if --scale is meant, spell it out"},
        {"a --sca=1.5 b", "--sca: there is no such option; if --scale is meant, spell it out"},
        {"a --forc b", "--forc: there is no such option; if --force is meant, spell it out"},
        {"--out --forc --hel", "--hel: there is no such option; if --help is meant, spell it out"},
        {"-q", "-q: there is no such option; options are spelled out, as in --help"},
    };

    (void)state;
    for (size_t i = 0; i < sizeof lines / sizeof lines[0]; i++) {
        struct parsed made = parsed_from(lines[i][0]);

        assert_false(made.is_good);
        assert_int_equal(error_code(made.err), ERROR_USAGE);
        assert_string_equal(error_message(made.err), lines[i][1]);
        error_free(&made.err);
    }
}

static void help_wins_over_what_follows(void **state)
{
    struct parsed made = parsed_from("--help --scale bad");

    (void)state;
    assert_true(made.is_good);
    assert_true(made.wants_help);
}

static void assert_like_named_options(const struct command *one, const struct command *other)
{
    for (size_t k = 0; k < one->n_options; k++)
        for (size_t l = 0; l < other->n_options; l++) {
            if (strcmp(one->options[k].name, other->options[l].name) != 0)
                continue;
            assert_int_equal(one->options[k].kind, other->options[l].kind);
            if (one == other && k != l)
                fail_msg("%s has --%s twice", one->name, one->options[k].name);
        }
}

/* The table itself. */
static void an_option_name_means_the_same_in_every_command(void **state)
{
    (void)state;
    for (size_t i = 0; command_at(i) != NULL; i++)
        for (size_t j = 0; command_at(j) != NULL; j++)
            assert_like_named_options(command_at(i), command_at(j));
}

static void every_row_says_what_it_is_for(void **state)
{
    (void)state;
    for (size_t i = 0; command_at(i) != NULL; i++) {
        const struct command *row = command_at(i);

        assert_ptr_equal(command_find(row->name), row);
        assert_true(strlen(row->summary) > 10 && strlen(row->summary) <= 66);
        assert_true(islower((unsigned char)row->summary[0]));
        assert_true(strlen(row->details) > 20);
        for (size_t j = 0; j < row->n_options; j++) {
            const struct option_row *option = &row->options[j];

            assert_true(strlen(option->summary) > 5);
            assert_true(option->offset < row->settings_bytes);
            assert_true((option->kind == OPTION_FLAG) == (option->argument == NULL));
            assert_true((option->kind == OPTION_FLAG) == (option->wanted == NULL));
            assert_true((option->kind == OPTION_CHOICE) == (option->choices != NULL));
            if (option->kind == OPTION_NUMBER || option->kind == OPTION_INTEGER)
                assert_true(option->low < option->high);
        }
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(every_kind_of_value_reaches_its_field),
        cmocka_unit_test(options_and_operands_may_be_mixed),
        cmocka_unit_test(a_bad_value_names_option_value_and_what_is_wanted),
        cmocka_unit_test(help_wins_over_what_follows),
        cmocka_unit_test(an_option_name_means_the_same_in_every_command),
        cmocka_unit_test(every_row_says_what_it_is_for),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
