#include "dicom/fragments.h"

#include <setjmp.h>
#include <stdarg.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>

/* Encapsulated pixel data in an unnamed file. */
struct items {
    struct extents *file;
    struct fragments fragments;
    struct fragment_run *runs;
    size_t n_runs;
    bool has_bad_table;
    struct error *err;
};

static void begin(struct items *items)
{
    *items = (struct items){0};
    assert_true(extents_open_unnamed(&items->file, &items->err));
}

static void add(struct items *items, uint16_t element, uint32_t length, const void *bytes, size_t n)
{
    uint8_t head[8] = {0xfe, 0xff, (uint8_t)(element & 0xff), (uint8_t)(element >> 8)};

    for (size_t i = 0; i < 4; i++)
        head[4 + i] = (uint8_t)(length >> (8 * i) & 0xff);
    assert_true(extents_append(items->file, head, sizeof head, &items->err));
    assert_true(extents_append(items->file, bytes, n, &items->err));
}

static void add_table(struct items *items, uint8_t second)
{
    const uint8_t table[8] = {0, 0, 0, 0, second};

    add(items, 0xe000, 8, table, 8);
}

/* A piece of 10 bytes; one that begins as a JPEG stream does, or not. */
static void add_piece(struct items *items, bool is_start)
{
    const uint8_t start[10] = {0xff, 0xd8, 0xff, 0xe0, 1, 2, 3, 4, 5, 6};
    const uint8_t middle[10] = {9, 8, 7, 6, 5, 4, 3, 2, 1, 0};

    add(items, 0xe000, 10, is_start ? start : middle, 10);
}

static void read_and_sort(struct items *items, long declared, const uint64_t *extended, size_t n_extended)
{
    struct dataset_pixels pixels = {.is_there = true};

    assert_true(fragments_read(&items->fragments, items->file, pixels, &items->err));
    assert_true(fragments_sort(&items->fragments, items->file, declared, false, extended, n_extended,
                               &items->runs, &items->n_runs, &items->has_bad_table, &items->err));
}

static void end(struct items *items)
{
    free(items->runs);
    fragments_free(&items->fragments);
    extents_close(&items->file);
    error_free(&items->err);
}

static void assert_two_runs(const struct items *items, size_t n_first, size_t n_second)
{
    assert_int_equal(items->n_runs, 2);
    assert_int_equal(items->runs[0].first, 0);
    assert_int_equal(items->runs[0].n, n_first);
    assert_int_equal(items->runs[1].first, n_first);
    assert_int_equal(items->runs[1].n, n_second);
}

static void add_three_pieces(struct items *items)
{
    add_piece(items, true);
    add_piece(items, false);
    add_piece(items, true);
    add(items, 0xe0dd, 0, "", 0);
}

static void an_offset_table_sorts_pieces_into_frames(void **state)
{
    struct items items;

    (void)state;
    begin(&items);
    add_table(&items, 36); /* two pieces of 18 bytes with their heads */
    add_three_pieces(&items);
    read_and_sort(&items, 2, NULL, 0);
    assert_two_runs(&items, 2, 1);
    assert_false(items.has_bad_table);
    assert_false(items.fragments.is_cut);
    assert_int_equal(fragments_run_bytes(&items.fragments, items.runs[0]), 20);
    end(&items);
}

static void an_extended_offset_table_does_so_too(void **state)
{
    static const uint64_t offsets[] = {0, 18};
    struct items items;

    (void)state;
    begin(&items);
    add(&items, 0xe000, 0, "", 0);
    add_three_pieces(&items);
    read_and_sort(&items, 2, offsets, 2);
    assert_two_runs(&items, 1, 2);
    end(&items);
}

static void a_table_that_points_nowhere_gives_way_to_the_beginnings(void **state)
{
    struct items items;

    (void)state;
    begin(&items);
    add_table(&items, 35);
    add_three_pieces(&items);
    read_and_sort(&items, 2, NULL, 0);
    assert_true(items.has_bad_table);
    assert_two_runs(&items, 2, 1);
    end(&items);
}

static void without_a_table_frames_begin_where_a_stream_does(void **state)
{
    struct items items;

    (void)state;
    begin(&items);
    add(&items, 0xe000, 0, "", 0);
    add_three_pieces(&items);
    read_and_sort(&items, -1, NULL, 0);
    assert_two_runs(&items, 2, 1);
    end(&items);
}

static void as_many_pieces_as_frames_are_one_each(void **state)
{
    struct items items;

    (void)state;
    begin(&items);
    add(&items, 0xe000, 0, "", 0);
    add_three_pieces(&items);
    read_and_sort(&items, 3, NULL, 0);
    assert_int_equal(items.n_runs, 3);
    end(&items);
}

static void one_frame_takes_all_pieces(void **state)
{
    struct items items;

    (void)state;
    begin(&items);
    add(&items, 0xe000, 0, "", 0);
    add_three_pieces(&items);
    read_and_sort(&items, 1, NULL, 0);
    assert_int_equal(items.n_runs, 1);
    assert_int_equal(items.runs[0].n, 3);
    end(&items);
}

static void a_stray_item_end_is_passed_over(void **state)
{
    struct items items;

    (void)state;
    begin(&items);
    add(&items, 0xe000, 0, "", 0);
    add_piece(&items, true);
    add(&items, 0xe00d, 0, "", 0);
    add_piece(&items, true);
    add(&items, 0xe0dd, 0, "", 0);
    read_and_sort(&items, 2, NULL, 0);
    assert_two_runs(&items, 1, 1);
    assert_false(items.fragments.is_damaged);
    end(&items);
}

static void a_cut_piece_is_left_out_and_told(void **state)
{
    struct items items;

    (void)state;
    begin(&items);
    add(&items, 0xe000, 0, "", 0);
    add_piece(&items, true);
    add_piece(&items, true);
    add(&items, 0xe000, 10, "\xff\xd8\xff", 3); /* 3 of 10 bytes */
    read_and_sort(&items, 3, NULL, 0);
    assert_int_equal(items.fragments.n, 2);
    assert_true(items.fragments.is_cut);
    assert_int_equal(items.n_runs, 2);
    end(&items);
}

static void a_frame_whose_later_pieces_are_lost_is_no_frame(void **state)
{
    struct items items;

    (void)state;
    begin(&items);
    add_table(&items, 18);
    add_piece(&items, true);
    add_piece(&items, true);
    add_piece(&items, false);
    add(&items, 0xe000, 10, "abc", 3);
    read_and_sort(&items, 2, NULL, 0);
    assert_int_equal(items.n_runs, 1);
    end(&items);
}

static void what_is_no_item_ends_the_walk(void **state)
{
    struct items items;

    (void)state;
    begin(&items);
    add(&items, 0xe000, 0, "", 0);
    add_piece(&items, true);
    assert_true(extents_append(items.file, "some other bytes", 16, &items.err));
    read_and_sort(&items, -1, NULL, 0);
    assert_true(items.fragments.is_damaged);
    assert_int_equal(items.n_runs, 1);
    end(&items);
}

static void an_item_without_end_is_not_followed(void **state)
{
    struct items items;

    (void)state;
    begin(&items);
    add(&items, 0xe000, 0, "", 0);
    add(&items, 0xe000, 0xffffffffU, "abc", 3);
    read_and_sort(&items, -1, NULL, 0);
    assert_int_equal(items.fragments.n, 0);
    assert_true(items.fragments.is_cut);
    assert_int_equal(items.n_runs, 0);
    end(&items);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(an_offset_table_sorts_pieces_into_frames),
        cmocka_unit_test(an_extended_offset_table_does_so_too),
        cmocka_unit_test(a_table_that_points_nowhere_gives_way_to_the_beginnings),
        cmocka_unit_test(without_a_table_frames_begin_where_a_stream_does),
        cmocka_unit_test(as_many_pieces_as_frames_are_one_each),
        cmocka_unit_test(one_frame_takes_all_pieces),
        cmocka_unit_test(a_stray_item_end_is_passed_over),
        cmocka_unit_test(a_cut_piece_is_left_out_and_told),
        cmocka_unit_test(a_frame_whose_later_pieces_are_lost_is_no_frame),
        cmocka_unit_test(what_is_no_item_ends_the_walk),
        cmocka_unit_test(an_item_without_end_is_not_followed),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
