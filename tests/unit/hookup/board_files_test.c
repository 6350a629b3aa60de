// SPDX-License-Identifier: Apache-2.0
/*
 * board_files_test.c - board files: what is wrong with them, all at once; the shipped ones with
 * their byte logs; a person's own before the shipped.
 */
#include "board_files.h"
#include "cmocka_helper.h"
#include "hookup.h"

#include <errno.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

/* ---- problems ---- */

/* All problems of a text, as they would be printed. */
static char *complaints(const char *text) {
    struct problems problems = {0};
    struct board_file_read *read = NULL;
    char *printed = NULL;
    size_t size;
    int result = board_files_parse(text, strlen(text), "mine", &read, &problems);
    FILE *stream = open_memstream(&printed, &size);
    assert_non_null(stream);
    problems_print(&problems, "mine.board", stream);
    fclose(stream);
    assert_int_equal(result, problems.count ? -EINVAL : 0);
    problems_clear(&problems);
    board_files_free(read);
    return printed;
}

static void assert_complains(const char *text, const char *about) {
    char *printed = complaints(text);
    if (!strstr(printed, about))
        fail_msg("\"%s\" is not in:\n%s", about, printed);
    free(printed);
}

#define HEAD "[board]\nsummary = x\ndriver = layout-serial\nrate = 10\n"

static void every_problem_is_told_with_its_line(void **state) {
    (void)state;
    char *printed = complaints("[board]\n"
                               "summary = x\n"
                               "driver = layout-seral\n"
                               "ids = 12:34\n"
                               "silence = 3 V\n"
                               "[packet]\n"
                               "header = aa zz\n"
                               "bits = 33\n"
                               "columns = 0, 2\n"
                               "check = crc17\n"
                               "colour = red\n");
    static const char *const told[] = {
        ("mine.board:3: [board] driver: read \"layout-seral\": allowed: text-serial, "
         "layout-serial, "
         "usb-bulk, usb-iso, modbus-rtu, usb-tmc. Did you mean \"layout-serial\"?"),
        "mine.board:4: [board] ids: read \"12:34\": ",
        "mine.board:5: [board] silence: read \"3 V\": after the number may stand s, ms",
        "mine.board:7: [packet] header: read \"aa zz\": 'zz' is no byte",
        "mine.board:8: [packet] bits: read \"33\": must lie within 2 and 32",
        "mine.board:9: [packet] columns: read \"0, 2\": each input from 0 up must stand there once",
        "mine.board:10: [packet] check: read \"crc17\": allowed: none, sum8, sum16",
        "mine.board:11: [packet] colour: read \"red\": unknown key. Known here: header, ",
    };
    for (size_t i = 0; i < sizeof told / sizeof told[0]; i++)
        if (!strstr(printed, told[i]))
            fail_msg("\"%s\" is not in:\n%s", told[i], printed);
    assert_null(strstr(printed, "nothing shows where")); /* the wrong header would have */
    free(printed);
}

static void what_contradicts_itself_is_told(void **state) {
    (void)state;
    assert_complains("", "no [board] section");
    assert_complains(HEAD, "no [packet] section");
    assert_complains(HEAD "[packet]\nbits = 8\ncolumns = 0\n",
                     "nothing shows where a packet begins");
    assert_complains(HEAD "start = control 40 01 0000 0000\n[packet]\nbits = 8\ncolumns = 0\n",
                     "control requests can only be sent to USB boards");
    assert_complains(HEAD "[packet]\nheader = 01\nbits = 8\ncolumns = 0\nsize = 1\n",
                     "size: read \"1\": must lie within 2 and 16384");
    assert_complains(HEAD "[packet]\nheader = 01 02\ncounter-at = 1\nbits = 8\ncolumns = 0\n",
                     "counter-at: read \"1\": the header's 2 bytes stand there");
    assert_complains(HEAD "[packet]\nheader = 01\ncounter-bits = 8\nbits = 8\ncolumns = 0\n",
                     "counter-at is missing");
    assert_complains(HEAD "[packet]\nheader = 01\nbits = 32\ncolumns = 0\n",
                     "32 bits must be signed");
    assert_complains(HEAD "[packet]\nheader = 01\nbits = 12\npacking = bits\nslot = 2\n"
                          "columns = 0\n",
                     "values packed bit by bit have no slot");
    assert_complains("[board]\nsummary = x\ndriver = usb-bulk\nrate = 10\nstart = bytes 01\n"
                     "[packet]\nbits = 8\ncolumns = 0\n[usb]\nendpoint = 01\n",
                     "an endpoint from the board is 0x81 to 0x8f");
    assert_complains("[board]\nsummary = x\ndriver = usb-bulk\nrate = 10\nstart = bytes 01\n"
                     "[packet]\nbits = 8\ncolumns = 0\n[usb]\nendpoint = 81\n",
                     "bytes need an endpoint to go to");
    assert_complains("[board]\nsummary = x\ndriver = text-serial\nrate = 10\n[packet]\nbits = 8\n"
                     "columns = 0\nheader = 01\n",
                     "text-serial reads lines");
    assert_complains("[board]\nsummary = x\ndriver = modbus-rtu\nrate = 10\nstart = bytes 01\n",
                     "modbus-rtu knows itself what to send");
    assert_complains("[board]\nsummary = x\ndriver = usb-tmc\nrate = 10\nblock = 9\n"
                     "dead-time = 0\nstart = control 40 01 0 0\n",
                     "ask is missing");
    assert_complains("[board]\nsummary = x\ndriver = usb-tmc\nrate = 10\nblock = 9\n"
                     "dead-time = 0\nstart = control 40 01 0 0\n",
                     "no control requests");
    assert_complains(HEAD "ask = bytes 01\n[packet]\nheader = 01\nbits = 8\ncolumns = 0\n",
                     "only usb-tmc asks for blocks");
    assert_complains(HEAD "start = text GO\n[packet]\nheader = 01\nbits = 8\ncolumns = 0\n",
                     "only usb-tmc is sent text");
    assert_complains("[board]\nsummary = x\ndriver = modbus-rtu\nrate = 10\nfunction = 5\n",
                     "function: read \"5\": must lie within 3 and 4");
    assert_complains(HEAD "[packet]\nheader = 01\nbits = 8\ncolumns = 0\n[inputs]\nrange = 5 V\n",
                     "the volts at the lowest and at the highest count");
    assert_complains(HEAD "[packet]\nheader = 01\nbits = 8\ncolumns = 0\n[input 1]\n",
                     "no such input: 0 to 0 can be");
    assert_complains(HEAD "stop = control c0 01 0 0\n[packet]\nheader = 01\nbits = 8\ncolumns = 0",
                     "only requests towards it can be sent");
}

/* ---- what the file says reaches the description ---- */

static void on_samples(void *context, const int32_t *counts, size_t scans);
static void on_loss(void *context, enum board_loss reason, uint64_t scans);
static void on_note(void *context, enum board_note note, int64_t value);

struct told {
    struct board_description description;
    FILE *stream;
};

static struct board *open_board(const struct board_file_read *read, struct told *told) {
    const struct board_sinks sinks = {told, on_samples, on_loss, on_note};
    const struct board_settings settings = {read->setting_count, read->setting, &read->file, NULL};
    struct board *board = NULL;
    struct board_bytes request;
    const struct board_driver *driver = read->file.driver;
    assert_int_equal(driver->open(&settings, &sinks, &board, NULL, 0), 0);
    assert_int_equal(driver->start(board, &request), 0);
    assert_int_equal(driver->describe(board, &told->description), 0);
    return board;
}

static void ranges_skews_and_delays_are_described(void **state) {
    (void)state;
    const char *text = HEAD "[packet]\nheader = 01\nbits = 12\ncolumns = 0, 1\n"
                            "[inputs]\nrange = 0..4095 mV\nskew = 3 us\ndelay = 1 ms\n"
                            "[input 1]\nrange = -5..5 V\nskew = 7 us\ndelay = 2 ms\n";
    struct problems problems = {0};
    struct board_file_read *read = NULL;
    struct told told = {0};
    assert_int_equal(board_files_parse(text, strlen(text), "mine", &read, &problems), 0);
    struct board *board = open_board(read, &told);
    const struct board_description *description = &told.description;
    assert_int_equal(description->inputs, 2);
    assert_alike(description->rate_hz, 10);
    assert_alike(description->volts_per_count[0], 0.001);
    assert_alike(description->zero_counts[0], 0);
    assert_alike(description->volts_per_count[1], 10.0 / 4095);
    assert_alike(description->zero_counts[1], 2047.5);
    assert_alike(description->skew_s, 3e-6);
    assert_alike(description->input_skew_s[0], 0);
    assert_alike(description->input_skew_s[1], 7e-6);
    assert_alike(description->delay_s[0], 1e-3);
    assert_alike(description->delay_s[1], 2e-3);
    read->file.driver->close(board);
    board_files_free(read);
}

/* ---- the shipped ones ---- */

static void on_samples(void *context, const int32_t *counts, size_t scans) {
    const struct told *told = context;
    size_t inputs = told->description.inputs;
    for (size_t i = 0; i < scans * inputs; i++)
        fprintf(told->stream, "%d%c", (int)counts[i], (i + 1) % inputs ? ',' : '\n');
}

static void on_loss(void *context, enum board_loss reason, uint64_t scans) {
    const struct told *told = context;
    fprintf(told->stream, "lost %lld %s\n", (long long)scans, board_loss_name(reason));
}

static void on_note(void *context, enum board_note note, int64_t value) {
    (void)context;
    (void)note;
    (void)value;
}

static char *read_text(const char *path) {
    FILE *file = fopen(path, "r");
    if (!file)
        fail_msg("%s: no recorded bytes", path);
    static char text[1u << 20];
    size_t length = fread(text, 1, sizeof text - 1, file);
    fclose(file);
    text[length] = '\0';
    return strdup(text);
}

/* The bytes of a log, in pieces of `piece` bytes, as lines of text. */
static char *replay(const struct board_file_read *read, const char *hexadecimal, size_t piece) {
    static uint8_t bytes[1u << 16];
    size_t count = 0;
    unsigned byte;
    int length;
    for (const char *at = hexadecimal; sscanf(at, " %2x%n", &byte, &length) == 1; at += length)
        bytes[count++] = (uint8_t)byte;
    assert_true(count > 500);
    char *printed = NULL;
    size_t size;
    struct told told = {.stream = open_memstream(&printed, &size)};
    assert_non_null(told.stream);
    struct board *board = open_board(read, &told);
    for (size_t at = 0; at < count; at += piece)
        read->file.driver->consume(board, bytes + at, count - at < piece ? count - at : piece);
    read->file.driver->close(board);
    fclose(told.stream);
    return printed;
}

/* The logs and what is in them come from tests/boards/make_logs.py, which shares nothing with us.
 */
static void every_shipped_file_reads_its_recorded_bytes(void **state) {
    (void)state;
    char **names = NULL;
    size_t count = 0;
    assert_int_equal(board_files_names(&names, &count), 0);
    assert_true(count >= 4);
    for (size_t i = 0; i < count; i++) {
        struct problems problems = {0};
        struct board_file_read *read = NULL;
        char path[BOARD_PATH_MAX];
        assert_int_equal(board_files_load(names[i], &read, &problems, path), 0);
        if (read->file.driver->shape == BOARD_POLL) { /* it is asked: the driver kit does that */
            board_files_free(read);
            continue;
        }
        snprintf(path, sizeof path, "%s/tests/boards/%s.bytes", CRANKTRAP_SOURCE, names[i]);
        char *bytes = read_text(path);
        snprintf(path, sizeof path, "%s/tests/boards/%s.scans", CRANKTRAP_SOURCE, names[i]);
        char *scans = read_text(path);
        static const size_t pieces[] = {1u << 16, 1, 7, 512};
        for (size_t k = 0; k < sizeof pieces / sizeof pieces[0]; k++) {
            char *told = replay(read, bytes, pieces[k]);
            if (strcmp(told, scans) != 0)
                fail_msg("%s in pieces of %zu: other scans than recorded", names[i], pieces[k]);
            free(told);
        }
        free(bytes);
        free(scans);
        board_files_free(read);
    }
    board_files_names_free(names, count);
}

/* ---- folders and hookups ---- */

static void write_text(const char *path, const char *text) {
    FILE *file = fopen(path, "w");
    assert_non_null(file);
    fputs(text, file);
    fclose(file);
}

#define HOOKUP                                                                                     \
    "[vehicle]\nname = van\n[board logger]\nboard = packets-2x24\ndevice = /dev/ttyS99\n%s"        \
    "[channel battery]\nboard = logger\ninput = 0\nrole = battery\ndivider = 6\n"

static struct hookup *load(const char *folder, const char *more, struct problems *problems) {
    char path[BOARD_PATH_MAX], text[1000];
    struct hookup *hookup = NULL;
    snprintf(path, sizeof path, "%s/van.hookup", folder);
    snprintf(text, sizeof text, HOOKUP, more);
    write_text(path, text);
    (void)hookup_load(path, HOOKUP_FOR_BOARDS, &hookup, problems);
    unlink(path);
    return hookup;
}

static void a_hookup_names_a_board_file(void **state) {
    (void)state;
    char folder[] = "/tmp/board-files-XXXXXX";
    assert_non_null(mkdtemp(folder));
    struct problems problems = {0};
    struct hookup *hookup = load(folder, "", &problems);
    assert_non_null(hookup);
    assert_string_equal(hookup->boards[0].driver->name, "layout-serial");
    assert_alike(hookup->boards[0].rate_hz, 4000);
    assert_int_equal(hookup->boards[0].baud, 921600);
    /* 24 bits over 5 V, times the divider; the filter's lag comes along. */
    assert_alike(hookup->vehicle.channels[0].delay_s, 5e-3);
    assert_alike(board_silence_limit_s(hookup->boards[0].driver, &hookup->boards[0].settings), 2);
    hookup_free(hookup);

    hookup = load(folder, "rate = 1000\n", &problems); /* the hookup has the last word */
    assert_non_null(hookup);
    assert_alike(hookup->boards[0].rate_hz, 1000);
    hookup_free(hookup);
    assert_int_equal(problems.count, 0);
    rmdir(folder);
}

static void own_folders_come_first_and_their_problems_are_told(void **state) {
    (void)state;
    char folder[] = "/tmp/board-files-XXXXXX";
    char path[BOARD_PATH_MAX];
    assert_non_null(mkdtemp(folder));
    snprintf(path, sizeof path, "%s/packets-2x24.board", folder);
    setenv("CRANKTRAP_BOARDS", folder, 1);
    struct problems problems = {0};
    write_text(path, HEAD "[packet]\nheader = 01\nbits = 8\ncolumns = 0\n[inputs]\nrange = 0..5\n");
    struct hookup *hookup = load(folder, "", &problems);
    assert_non_null(hookup);
    assert_alike(hookup->boards[0].rate_hz, 10);
    hookup_free(hookup);

    write_text(path, HEAD "[packet]\nheader = 01\nbits = 99\ncolumns = 0\n");
    assert_null(load(folder, "", &problems));
    assert_int_equal(problems.count, 1);
    assert_string_equal(problems.problem[0].where, "[board logger] board");
    assert_non_null(strstr(problems.problem[0].text, path));
    assert_non_null(strstr(problems.problem[0].text, ":7: [packet] bits: read \"99\""));
    problems_clear(&problems);
    unlink(path);
    unsetenv("CRANKTRAP_BOARDS");
    rmdir(folder);
}

/* The hookup of a record is read where its board file may not be: the record's head says the rest.
 */
static void a_record_needs_no_board_file(void **state) {
    (void)state;
    const char text[] = "[vehicle]\nname = van\n[board logger]\nboard = no-such-board\n"
                        "device = /dev/ttyS99\nrate = 10\nanything = 1\n"
                        "[channel battery]\nboard = logger\ninput = 0\nrole = battery\n"
                        "divider = 6\n";
    struct problems problems = {0};
    struct hookup *hookup = NULL;
    assert_int_equal(hookup_parse(text, sizeof text - 1, HOOKUP_FOR_BOARDS, &hookup, &problems), 0);
    const struct board_description description = {
        .inputs = 1, .rail_high = {255}, .volts_per_count = {0.5}, .delay_s = {0.003}};
    assert_int_equal(hookup_fit_board(hookup, 0, &description, &problems), 0);
    assert_alike(hookup->vehicle.channels[0].delay_s, 0.003);
    hookup_free(hookup);
    assert_int_equal(problems.count, 0);
}

static void a_name_that_is_nowhere_is_said(void **state) {
    (void)state;
    struct problems problems = {0};
    struct board_file_read *read = NULL;
    char path[BOARD_PATH_MAX];
    assert_int_equal(board_files_load("no-such-board", &read, &problems, path), -ENOENT);
    assert_int_equal(board_files_load("/no/such.board", &read, &problems, path), -ENOENT);
    assert_null(read);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(every_problem_is_told_with_its_line),
        cmocka_unit_test(what_contradicts_itself_is_told),
        cmocka_unit_test(ranges_skews_and_delays_are_described),
        cmocka_unit_test(every_shipped_file_reads_its_recorded_bytes),
        cmocka_unit_test(a_hookup_names_a_board_file),
        cmocka_unit_test(own_folders_come_first_and_their_problems_are_told),
        cmocka_unit_test(a_record_needs_no_board_file),
        cmocka_unit_test(a_name_that_is_nowhere_is_said),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
