// SPDX-License-Identifier: Apache-2.0
/*
 * playback_test.c - files in, a record out: the samples that were written, when they were taken,
 * and every scan that is missing. playback_time_test.c has clocks and boots.
 */
#include "film_helper.h"

#include <errno.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

/* The next run must be this stream's scans [first, first + scans) of that epoch, at that time. */
static void expect_run(const struct record *record, size_t stream, uint32_t epoch, uint64_t first,
                       size_t scans, double time_s, bool after_loss) {
    struct record_run run;
    assert_int_equal(record->next(record->context, &run), 1);
    assert_int_equal(run.stream, stream);
    assert_int_equal(run.scans, scans);
    assert_near(run.time_s, time_s, 1e-9);
    assert_int_equal(run.after_loss, after_loss);
    recording_check_run(&run, epoch, first);
}

static void expect_end(const struct record *record) {
    struct record_run run;
    assert_int_equal(record->next(record->context, &run), 0);
    assert_int_equal(record->next(record->context, &run), 0);
}

static void expect_loss(const struct record_loss *loss, size_t stream, double from_s, double to_s,
                        uint64_t scans, const char *reason) {
    assert_int_equal(loss->stream, stream);
    assert_near(loss->from_s, from_s, 1e-6);
    assert_near(loss->to_s, to_s, 1e-6);
    assert_int_equal(loss->scans, scans);
    assert_string_equal(loss->reason, reason);
}

static size_t losses_of(const struct record *record, const struct record_loss **losses) {
    return record->losses(record->context, losses);
}

/* ---- whole files ---- */

static void two_streams_come_merged_by_time(void **state) {
    (void)state;
    struct film film = new_film();
    next_file(&film);
    add_clocks(&film, 1, 50 * RECORDING_S);
    for (uint64_t second = 0; second < 5; second++)
        add_second(&film, 1, second);
    const struct record *record = play(&film);
    const struct record_loss *losses;
    assert_int_equal(losses_of(record, &losses), 0);
    assert_near(record->from_s, 0, 1e-12);
    assert_near(record->to_s, 5, 1e-9);
    assert_int_equal(playback_elapsed_ns(film.playback), 50 * RECORDING_S);
    for (uint64_t second = 0; second < 5; second++) {
        expect_run(record, 0, 1, second * 1000, 1000, (double)second, false);
        expect_run(record, 1, 1, second * 200, 200, (double)second, false);
    }
    expect_end(record);
    assert_int_equal(record->vehicle->channel_count, 3);
    assert_int_equal(record->vehicle->channels[0].scale.points, 2);
    assert_int_equal(playback_head(film.playback)->stream_count, 2);
    end_film(&film);
}

static void seek_goes_to_the_run_that_ends_after(void **state) {
    (void)state;
    struct film film = new_film();
    next_file(&film);
    add_clocks(&film, 1, 0);
    for (uint64_t second = 0; second < 100; second++)
        add_second(&film, 1, second);
    const struct record *record = play(&film);
    static const struct {
        double seek_s;
        uint64_t second;
    } places[] = {{0, 0},     {-1e30, 0}, {0.9999, 0},   {1, 1},
                  {50.5, 50}, {99, 99},   {99.9999, 99}, {41.99999, 41}};
    for (size_t i = 0; i < sizeof places / sizeof places[0]; i++) {
        assert_int_equal(record->seek(record->context, places[i].seek_s), 0);
        uint64_t second = places[i].second;
        expect_run(record, 0, 1, second * 1000, 1000, (double)second, false);
        expect_run(record, 1, 1, second * 200, 200, (double)second, false);
    }
    static const double beyond[] = {100, 1e6, 1e30};
    for (size_t i = 0; i < 3; i++) {
        assert_int_equal(record->seek(record->context, beyond[i]), 0);
        expect_end(record);
    }
    end_film(&film);
}

static void files_may_overlap_and_come_in_any_order(void **state) {
    (void)state;
    struct film film = new_film();
    next_file(&film); /* the later stretch first */
    add_clocks(&film, 1, 0);
    for (uint64_t second = 4; second < 10; second++)
        add_second(&film, 1, second);
    next_file(&film);
    add_clocks(&film, 1, 0);
    add(&film, recording_mark("{\"n\":1}", 3 * RECORDING_S));
    for (uint64_t second = 0; second < 6; second++)
        add_second(&film, 1, second);
    next_file(&film); /* cut elsewhere: 2.5 s .. 4.5 s in one block */
    add_clocks(&film, 1, 0);
    add(&film, recording_mark("{\"n\":1}", 3 * RECORDING_S));
    add(&film, recording_block(0, 1, 2500, 2000));
    add(&film, recording_block(0, 1, 9500, 1000)); /* half of it is new */
    const struct record *record = play(&film);
    const struct record_loss *losses;
    assert_int_equal(losses_of(record, &losses), 0);
    struct record_run run;
    struct recording_tally tally[2] = {{0}, {0}};
    while (record->next(record->context, &run) == 1) {
        uint64_t first = (uint64_t)(run.time_s * recording_rate(run.stream) + 0.5);
        recording_check_run(&run, 1, first);
        recording_tally(&tally[run.stream], first, run.scans, false);
        assert_false(run.after_loss);
    }
    assert_int_equal(tally[0].next, 10500);
    assert_int_equal(tally[1].next, 2000);
    const struct playback_mark *marks;
    assert_int_equal(playback_marks(film.playback, &marks), 1); /* the same one */
    end_film(&film);
}

static void a_ring_of_many_segments_opens(void **state) {
    (void)state;
    struct film film = new_film();
    for (uint64_t second = 0; second < FILES_MAX; second++) {
        next_file(&film);
        add_clocks(&film, 1, 0);
        add_second(&film, 1, second);
        if (second % 10 == 0)
            add(&film, recording_mark("{}", (int64_t)second * RECORDING_S));
    }
    const struct record *record = play(&film);
    const struct record_loss *losses;
    const struct playback_mark *marks;
    assert_int_equal(losses_of(record, &losses), 0);
    assert_near(record->to_s, FILES_MAX, 1e-9);
    assert_int_equal(playback_marks(film.playback, &marks), FILES_MAX / 10);
    assert_near(marks[3].at_s, 30, 1e-9);
    assert_int_equal(record->seek(record->context, 77.5), 0);
    expect_run(record, 0, 1, 77000, 1000, 77, false);
    end_film(&film);
}

/* ---- losses ---- */

static void losses_are_placed(void **state) {
    (void)state;
    struct film film = new_film();
    next_file(&film);
    add_clocks(&film, 1, 0);
    add(&film, recording_block(0, 1, 0, 1000));
    add(&film, recording_loss(0, 1, 1000, 300, "packets missing"));
    add(&film, recording_block(0, 1, 1300, 700));
    /* 2000..2999: half told, half not. */
    add(&film, recording_loss(0, 1, 2500, 500, "disk too slow"));
    add(&film, recording_block(0, 1, 3000, 1000));
    /* Told, but there all the same (in another file): no loss. */
    add(&film, recording_loss(0, 1, 3100, 200, "a rumour"));
    /* At the end. */
    add(&film, recording_loss(0, 1, 4000, 50, "stopped"));
    add(&film, recording_block(1, 1, 0, 200));
    add(&film, recording_loss(1, 1, 200, RECORD_LOSS_UNKNOWN, "reconnected"));
    add(&film, recording_clock(1, 2, 0, 3 * RECORDING_S, 0, 200, 1));
    add(&film, recording_block(1, 2, 0, 100));
    const struct record *record = play(&film);
    const struct record_loss *loss;
    assert_int_equal(losses_of(record, &loss), 5);
    expect_loss(&loss[0], 0, 1.0, 1.3, 300, "packets missing");
    expect_loss(&loss[1], 1, 1.0, 3.0, RECORD_LOSS_UNKNOWN, "reconnected");
    expect_loss(&loss[2], 0, 2.0, 2.5, 500, "not recorded");
    expect_loss(&loss[3], 0, 2.5, 3.0, 500, "disk too slow");
    expect_loss(&loss[4], 0, 4.0, 4.05, 50, "stopped");
    expect_run(record, 0, 1, 0, 1000, 0, false);
    expect_run(record, 1, 1, 0, 200, 0, false);
    expect_run(record, 0, 1, 1300, 700, 1.3, true);
    expect_run(record, 0, 1, 3000, 1000, 3, true);
    expect_run(record, 1, 2, 0, 100, 3, true);
    expect_end(record);
    end_film(&film);
}

static void one_loss_may_span_several_holes(void **state) {
    (void)state;
    struct film film = new_film();
    next_file(&film);
    add_clocks(&film, 1, 0);
    add(&film, recording_loss(0, 1, 0, 5000, "wire"));
    add(&film, recording_block(0, 1, 1000, 1000));
    add(&film, recording_block(0, 1, 3000, 1000));
    add(&film, recording_loss(0, 1, 0, 5000, "wire")); /* twice told */
    add(&film, recording_loss(0, 1, 500, 100, "inner"));
    const struct record *record = play(&film);
    const struct record_loss *loss;
    assert_int_equal(losses_of(record, &loss), 3);
    /* Second 0 is the first scan of the earliest block. */
    expect_loss(&loss[0], 0, -1, 0, 1000, "wire");
    expect_loss(&loss[1], 0, 1, 2, 1000, "wire");
    expect_loss(&loss[2], 0, 3, 4, 1000, "wire");
    expect_run(record, 0, 1, 1000, 1000, 0, true);
    end_film(&film);
}

static void a_new_epoch_is_a_loss_even_untold(void **state) {
    (void)state;
    struct film film = new_film();
    next_file(&film);
    add_clocks(&film, 1, 0);
    add_second(&film, 1, 0);
    add_clocks(&film, 2, 10 * RECORDING_S);
    add_second(&film, 2, 0);
    const struct record *record = play(&film);
    const struct record_loss *loss;
    assert_int_equal(losses_of(record, &loss), 2);
    for (size_t i = 0; i < 2; i++)
        expect_loss(&loss[i], i, 1, 10, RECORD_LOSS_UNKNOWN, "recording began anew");
    expect_run(record, 0, 1, 0, 1000, 0, false);
    expect_run(record, 1, 1, 0, 200, 0, false);
    expect_run(record, 0, 2, 0, 1000, 10, true);
    expect_run(record, 1, 2, 0, 200, 10, true);
    end_film(&film);
}

/* Changes the byte in the middle of entry `index` of the last file; or cuts the file there. */
static void damage(struct film *film, size_t index, bool cut) {
    cut_to(film, NULL);
    const char *path = film->path[film->files - 1];
    struct container_reader *reader = NULL;
    assert_int_equal(container_open(path, &reader), 0);
    const struct container_entry *entries;
    assert_true(container_entries(reader, &entries) > index);
    long at = (long)(entries[index].offset + entries[index].length / 2);
    container_reader_free(reader);
    if (cut) {
        assert_int_equal(truncate(path, at), 0);
        return;
    }
    FILE *file = fopen(path, "r+b");
    assert_non_null(file);
    assert_int_equal(fseek(file, at, SEEK_SET), 0);
    int byte = fgetc(file);
    assert_int_equal(fseek(file, at, SEEK_SET), 0);
    fputc(byte ^ 0x40, file);
    assert_int_equal(fclose(file), 0);
}

static void damage_is_under_the_losses(void **state) {
    (void)state;
    struct film film = new_film();
    next_file(&film);
    add_clocks(&film, 1, 0);
    for (uint64_t second = 0; second < 4; second++)
        add(&film, recording_block(0, 1, second * 1000, 1000));
    damage(&film, 4, false); /* head, 2 clocks, second 0, > second 1 < */
    const struct record *record = play(&film);
    const struct record_loss *loss;
    assert_int_equal(losses_of(record, &loss), 1);
    expect_loss(&loss[0], 0, 1, 2, 1000, "damaged file");
    expect_run(record, 0, 1, 0, 1000, 0, false);
    expect_run(record, 0, 1, 2000, 1000, 2, true);
    expect_run(record, 0, 1, 3000, 1000, 3, false);
    expect_end(record);
    end_film(&film);

    film = new_film();
    next_file(&film);
    add_clocks(&film, 1, 0);
    for (uint64_t second = 0; second < 4; second++)
        add(&film, recording_block(0, 1, second * 1000, 1000));
    damage(&film, 5, true); /* inside second 2: nobody knows how many scans followed */
    record = play(&film);
    assert_int_equal(losses_of(record, &loss), 1);
    expect_loss(&loss[0], 0, 2, 2, RECORD_LOSS_UNKNOWN, "damaged file");
    assert_near(record->to_s, 2, 1e-9);
    end_film(&film);
}

static void hostile_reasons_are_made_plain(void **state) {
    (void)state;
    struct film film = new_film();
    next_file(&film);
    add_clocks(&film, 1, 0);
    add(&film, recording_block(0, 1, 0, 1000));
    add(&film, recording_loss(0, 1, 1000, 10, "\x1b[31mred\xff"));
    add(&film, recording_block(0, 1, 1010, 1000));
    const struct record *record = play(&film);
    const struct record_loss *loss;
    assert_int_equal(losses_of(record, &loss), 1);
    assert_string_equal(loss[0].reason, "?[31mred?");
    end_film(&film);
}

/* A sound check sum round nonsense: written by a program with a fault, or forged. */
static void blocks_that_cannot_be_decoded_become_losses(void **state) {
    (void)state;
    struct film film = new_film();
    next_file(&film);
    add_clocks(&film, 1, 0);
    add(&film, recording_block(0, 1, 0, 1000));
    static const uint8_t nonsense[] = {77, 1, 2, 3};
    const uint8_t *coded[] = {nonsense, nonsense};
    size_t lengths[] = {sizeof nonsense, sizeof nonsense};
    struct chunk_place place = {.stream = 0, .epoch = 1, .first_scan = 1000};
    struct chunk chunk = {0};
    assert_int_equal(chunk_block(&chunk, &place, 1000, 2, coded, lengths), 0);
    add(&film, chunk);
    struct chunk other = recording_block(1, 1, 0, 100); /* one input only, said to be stream 0 */
    const uint8_t *first;
    assert_int_equal(chunk_block_input(&other, 0, &first, &lengths[0]), 0);
    place.first_scan = 2000;
    assert_int_equal(chunk_block(&chunk, &place, 100, 1, &first, lengths), 0);
    chunk_done(&other);
    add(&film, chunk);
    add(&film, recording_block(0, 1, 2100, 900));
    const struct record *record = play(&film);
    const struct record_loss *before, *loss;
    assert_int_equal(losses_of(record, &before), 0); /* not known yet */
    expect_run(record, 0, 1, 0, 1000, 0, false);
    expect_run(record, 0, 1, 2100, 900, 2.1, true);
    expect_end(record);
    for (int again = 0; again < 2; again++) {
        assert_int_equal(losses_of(record, &loss), 2);
        expect_loss(&loss[0], 0, 1, 2, 1000, "damaged file");
        expect_loss(&loss[1], 0, 2, 2.1, 100, "damaged file");
        assert_int_equal(record->seek(record->context, 0), 0);
        expect_run(record, 0, 1, 0, 1000, 0, false);
        expect_run(record, 0, 1, 2100, 900, 2.1, true);
    }
    end_film(&film);
}

/* ---- narrowing ---- */

static void narrowing_is_exact_to_the_scan(void **state) {
    (void)state;
    struct film film = new_film();
    next_file(&film);
    add_clocks(&film, 1, 100 * RECORDING_S);
    for (uint64_t second = 0; second < 10; second++)
        if (second != 5)
            add_second(&film, 1, second);
    add(&film, recording_mark("{\"n\":1}", 101 * RECORDING_S));
    add(&film, recording_mark("{\"n\":2}", 104 * RECORDING_S));
    const struct record *record = play(&film);
    const struct record_loss *loss;
    const struct playback_mark *marks;
    assert_int_equal(losses_of(record, &loss), 2);
    assert_int_equal(playback_marks(film.playback, &marks), 2);

    playback_narrow(film.playback, 103500 * RECORDING_MS, 105500 * RECORDING_MS);
    assert_near(record->from_s, 3.5, 1e-9);
    assert_near(record->to_s, 5, 1e-9);
    expect_run(record, 0, 1, 3500, 500, 3.5, false);
    expect_run(record, 1, 1, 700, 100, 3.5, false);
    expect_run(record, 0, 1, 4000, 1000, 4, false);
    expect_run(record, 1, 1, 800, 200, 4, false);
    expect_end(record);
    assert_int_equal(losses_of(record, &loss), 2);
    expect_loss(&loss[0], 0, 5, 5.5, 500, "not recorded");
    expect_loss(&loss[1], 1, 5, 5.5, 100, "not recorded");
    assert_int_equal(playback_marks(film.playback, &marks), 1);
    assert_near(marks[0].at_s, 4, 1e-9);

    /* Within one block; and between two scans of the slow stream. */
    playback_narrow(film.playback, 107001 * RECORDING_MS, 107004 * RECORDING_MS);
    expect_run(record, 0, 1, 7001, 4, 7.001, false);
    expect_end(record);
    assert_int_equal(losses_of(record, &loss), 0);
    assert_near(record->to_s, 7.005, 1e-9);

    playback_narrow(film.playback, 200 * RECORDING_S, 300 * RECORDING_S);
    expect_end(record);
    playback_narrow(film.playback, INT64_MIN, 100 * RECORDING_S);
    expect_run(record, 0, 1, 0, 1, 0, false);
    expect_run(record, 1, 1, 0, 1, 0, false);
    expect_end(record);
    playback_narrow(film.playback, INT64_MIN, INT64_MAX);
    expect_run(record, 0, 1, 0, 1000, 0, false);
    assert_int_equal(losses_of(record, &loss), 2);
    end_film(&film);
}

/* ---- heads ---- */

static char *replaced(const char *json, const char *from, const char *to) {
    const char *at = strstr(json, from);
    assert_non_null(at);
    char *text = NULL;
    assert_true(asprintf(&text, "%.*s%s%s", (int)(at - json), json, to, at + strlen(from)) > 0);
    return text;
}

static void the_last_head_counts(void **state) {
    (void)state;
    char *head = recording_head();
    char *fresh = replaced(head, "\"written\":\"", "\"written\":\"again "); /* means the same */
    char *other = replaced(head, "divider = 5.7", "divider = 3.3");
    struct film film = new_film();
    cut_to(&film, other);
    add_clocks(&film, 1, 0);
    add_second(&film, 1, 0);
    cut_to(&film, fresh);
    add_clocks(&film, 2, 10 * RECORDING_S);
    add_second(&film, 2, 0);
    cut_to(&film, head);
    add_clocks(&film, 2, 10 * RECORDING_S);
    add_second(&film, 2, 1);
    const struct record *record = play(&film);
    const struct record_loss *loss;
    assert_int_equal(losses_of(record, &loss), 0);
    expect_run(record, 0, 2, 0, 1000, 0, false); /* not what was measured with other scales */
    expect_run(record, 1, 2, 0, 200, 0, false);
    expect_run(record, 0, 2, 1000, 1000, 1, false);
    end_film(&film);

    /* A head that cannot be read is no head. */
    char *broken = replaced(head, "cranktrap.head/1", "cranktrap.head/9");
    film = new_film();
    cut_to(&film, head);
    add_clocks(&film, 1, 0);
    add_second(&film, 1, 0);
    cut_to(&film, broken);
    add_second(&film, 1, 1);
    record = play(&film);
    assert_near(record->to_s, 1, 1e-9);
    end_film(&film);
    free(head);
    free(fresh);
    free(other);
    free(broken);
}

static void streams_the_head_does_not_list_are_left_out(void **state) {
    (void)state;
    struct film film = new_film();
    next_file(&film);
    add_clocks(&film, 1, 0);
    add_second(&film, 1, 0);
    add(&film, recording_block(7, 1, 0, 100));
    add(&film, recording_loss(9, 1, 0, 100, "nobody's"));
    const struct record *record = play(&film);
    const struct record_loss *loss;
    assert_int_equal(losses_of(record, &loss), 0);
    expect_run(record, 0, 1, 0, 1000, 0, false);
    expect_run(record, 1, 1, 0, 200, 0, false);
    expect_end(record);
    end_film(&film);
}

/* ---- what cannot be opened ---- */

static int open_error(const char *const *paths, size_t count, char *why, size_t size) {
    struct playback *playback = (struct playback *)1;
    int error = playback_open(paths, count, &playback, why, size);
    assert_ptr_equal(playback, (struct playback *)1);
    return error;
}

static void errors_are_plain(void **state) {
    (void)state;
    struct film film = new_film();
    next_file(&film); /* 1: no block */
    add_clocks(&film, 1, 0);
    cut_to(&film, "{\"format\":\"something else\"}"); /* 2: no head */
    add_second(&film, 1, 0);
    next_file(&film); /* 3: fine */
    add_second(&film, 1, 0);
    cut_to(&film, NULL);
    recording_write_file(film.folder, "notes", "these are notes\n", 16);
    char notes[200], missing[200], why[300];
    snprintf(notes, sizeof notes, "%s/notes", film.folder);
    snprintf(missing, sizeof missing, "%s/missing", film.folder);

    assert_int_equal(open_error((const char *[]){film.path[0]}, 1, why, sizeof why), -ENODATA);
    assert_non_null(strstr(why, "no block"));
    assert_int_equal(open_error((const char *[]){film.path[1]}, 1, why, sizeof why), -EBADMSG);
    assert_non_null(strstr(why, "something else"));
    assert_int_equal(open_error((const char *[]){notes}, 1, why, sizeof why), -EMEDIUMTYPE);
    assert_non_null(strstr(why, "notes is no file"));
    assert_int_equal(open_error((const char *[]){missing}, 1, why, sizeof why), -ENOENT);
    assert_non_null(strstr(why, "missing"));
    assert_int_equal(open_error((const char *[]){missing}, 1, NULL, 0), -ENOENT);
    assert_int_equal(open_error(NULL, 0, why, sizeof why), -ENODATA);

    /* Among several, one that has been pruned meanwhile does not matter. */
    const char *several[] = {missing, film.path[2]};
    assert_int_equal(playback_open(several, 2, &film.playback, why, sizeof why), 0);
    assert_string_equal(why, "");
    playback_free(NULL);
    end_film(&film);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(two_streams_come_merged_by_time),
        cmocka_unit_test(seek_goes_to_the_run_that_ends_after),
        cmocka_unit_test(files_may_overlap_and_come_in_any_order),
        cmocka_unit_test(a_ring_of_many_segments_opens),
        cmocka_unit_test(losses_are_placed),
        cmocka_unit_test(one_loss_may_span_several_holes),
        cmocka_unit_test(a_new_epoch_is_a_loss_even_untold),
        cmocka_unit_test(damage_is_under_the_losses),
        cmocka_unit_test(hostile_reasons_are_made_plain),
        cmocka_unit_test(blocks_that_cannot_be_decoded_become_losses),
        cmocka_unit_test(narrowing_is_exact_to_the_scan),
        cmocka_unit_test(the_last_head_counts),
        cmocka_unit_test(streams_the_head_does_not_list_are_left_out),
        cmocka_unit_test(errors_are_plain),
    };
    return cmocka_run_group_tests_name("playback", tests, NULL, NULL);
}
