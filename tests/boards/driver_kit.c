// SPDX-License-Identifier: Apache-2.0
/*
 * driver_kit.c - what every driver and every board file must keep to, tried on its recorded bytes.
 * `sh tests/driver NAME` runs it; docs/adding-a-board.md says what it wants. Here: stream drivers,
 * and what both shapes share; poll drivers are in driver_kit_poll.c.
 *
 *   driver_kit NAME|PATH.board [BYTES SCANS] [KEY=VALUE ...]
 *
 * NAME is a board file's or a driver's. BYTES is hexadecimal text, SCANS what is in it: a line of
 * counts with commas a scan, "lost N REASON" where N scans are missing (-1: nobody knows how many).
 * One line a check on stdout; exit status 1 where one failed.
 */
#include "driver_kit.h"

#include "allocations.h"
#include "board_files.h"
#include "drivers.h"

#include <errno.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define BYTES_MAX    (1u << 18)
#define SETTINGS_MAX 16

/* ---- the driver under test, and what it tells ---- */

const struct board_driver *kit_driver;
struct board_settings kit_settings;
char kit_expected[KIT_TEXT_MAX], kit_bytes_path[512];
struct kit_told kit_told;
static struct board_setting given[SETTINGS_MAX];
static uint8_t bytes[BYTES_MAX];
static size_t byte_count;

static void write_number(int64_t number, char behind) {
    if (kit_told.used + 24 < sizeof kit_told.text)
        kit_told.used += (size_t)snprintf(kit_told.text + kit_told.used, 24, "%lld%c",
                                          (long long)number, behind);
}

static void on_samples(void *context, const int32_t *counts, size_t scans) {
    const struct board_description *description = &kit_told.description;
    size_t inputs = description->inputs;
    (void)context;
    kit_told.any = true;
    kit_told.broken = kit_told.broken || scans == 0 || inputs == 0;
    for (size_t i = 0; i < scans * inputs; i++) {
        size_t input = i % inputs;
        bool railed = description->rail_low[input] <= description->rail_high[input];
        kit_told.broken =
            kit_told.broken || (railed && (counts[i] < description->rail_low[input] ||
                                           counts[i] > description->rail_high[input]));
        if (kit_told.write)
            write_number(counts[i], input + 1 < inputs ? ',' : '\n');
    }
}

static void on_loss(void *context, enum board_loss reason, uint64_t scans) {
    (void)context;
    kit_told.broken = kit_told.broken || scans == 0 || !kit_told.any || reason >= BOARD_LOSSES;
    if (!kit_told.write || kit_told.used + 64 >= sizeof kit_told.text)
        return;
    kit_told.used += (size_t)snprintf(kit_told.text + kit_told.used, 64, "lost ");
    write_number((int64_t)scans, ' ');
    kit_told.used +=
        (size_t)snprintf(kit_told.text + kit_told.used, 32, "%s\n", board_loss_name(reason));
}

static void on_note(void *context, enum board_note note, int64_t value) {
    (void)context;
    kit_told.broken = kit_told.broken || note == BOARD_NOTE_TIME || value != 0;
    if (note == BOARD_NOTE_DESCRIBED &&
        kit_driver->describe(kit_told.board, &kit_told.description) != 0)
        kit_told.broken = true;
}

bool kit_start(void) {
    struct board_bytes request = {0};
    kit_told.any = false;
    if (kit_driver->start(kit_told.board, &request) != 0 || request.count > BOARD_BYTES_MAX)
        return false;
    (void)kit_driver->describe(kit_told.board, &kit_told.description);
    return true;
}

bool kit_begin(bool write) {
    const struct board_sinks sinks = {&kit_told, on_samples, on_loss, on_note};
    char why[256] = "";
    kit_told.description.inputs =
        0; /* the text stays: zeroing it each time takes longer than all else */
    kit_told.any = kit_told.broken = false;
    kit_told.write = write;
    kit_told.used = 0;
    if (kit_driver->open(&kit_settings, &sinks, &kit_told.board, why, sizeof why) < 0) {
        printf("  %s cannot be opened: %s\n", kit_driver->name, why);
        return false;
    }
    return kit_start();
}

void kit_end(void) {
    kit_driver->close(kit_told.board);
    kit_told.board = NULL;
}

/* Memory of exactly this size, so that the sanitizer sees a read beyond it. */
static bool consume(const uint8_t *from, size_t count) {
    uint8_t *exact = malloc(count ? count : 1);
    if (!exact)
        return false;
    memcpy(exact, from, count);
    enum board_result result = kit_driver->consume(kit_told.board, exact, count);
    free(exact);
    return result < BOARD_RESULTS;
}

static bool as_expected(void) {
    kit_told.text[kit_told.used] = '\0';
    return !kit_told.broken && strcmp(kit_told.text, kit_expected) == 0;
}

/* The last quarter of the recorded lines came, whatever was before. */
static bool recovered(void) {
    size_t length = strlen(kit_expected);
    const char *tail = strchr(kit_expected + length - length / 4, '\n');
    size_t tail_length = tail ? strlen(tail) : 0;
    kit_told.text[kit_told.used] = '\0';
    return !kit_told.broken && tail_length > 1 && kit_told.used >= tail_length &&
           strcmp(kit_told.text + kit_told.used - tail_length, tail) == 0;
}

/* ---- the checks ---- */

/* The first line that differs, of what was found and of what was recorded. */
void kit_print_difference(void) {
    const char *found = kit_told.text;
    const char *recorded = kit_expected;
    size_t line = 1;
    for (;; line++) {
        size_t length = strcspn(found, "\n");
        if (!*found || length != strcspn(recorded, "\n") || strncmp(found, recorded, length) != 0)
            break;
        found += length + (found[length] != '\0');
        recorded += length + (recorded[length] != '\0');
    }
    if (!*found && !*recorded)
        return;
    printf("  line %zu: found \"%.*s\", recorded \"%.*s\"\n", line, (int)strcspn(found, "\n"),
           found, (int)strcspn(recorded, "\n"), recorded);
}

static bool recorded_bytes_give_the_recorded_scans(void) {
    if (!kit_begin(true))
        return false;
    bool good = consume(bytes, byte_count) && as_expected();
    if (!good)
        kit_print_difference();
    if (kit_told.broken)
        puts("  it told what no driver may tell: counts beyond its rails, a loss before any scan");
    kit_end();
    return good;
}

static bool split_at_every_byte(void) {
    bool good = true;
    for (size_t at = 1; good && at < byte_count; at++) {
        good = kit_begin(true) && consume(bytes, at) && consume(bytes + at, byte_count - at) &&
               as_expected();
        kit_end();
    }
    return good;
}

static bool byte_by_byte(void) {
    bool good = kit_begin(true);
    for (size_t at = 0; good && at < byte_count; at++)
        good = consume(bytes + at, 1);
    good = good && as_expected();
    kit_end();
    return good;
}

/* A flipped bit in the first half may cost scans, never those of the end. */
static bool flipped_bits_are_recovered_from(void) {
    bool good = true;
    for (size_t bit = 0; good && bit < 4 * byte_count; bit += 61) {
        bytes[bit / 8] ^= (uint8_t)(1u << bit % 8);
        good = kit_begin(true) && consume(bytes, byte_count) && recovered();
        kit_end();
        bytes[bit / 8] ^= (uint8_t)(1u << bit % 8);
    }
    return good;
}

/* Bytes go missing, or come twice, in the first half. */
static bool missing_and_doubled_bytes_are_recovered_from(void) {
    bool good = true;
    for (size_t at = 0; good && at < byte_count / 2; at += 53)
        for (size_t count = 1; good && count < 1000 && at + count < byte_count / 2; count *= 7) {
            good = kit_begin(true) && consume(bytes, at) &&
                   consume(bytes + at + count, byte_count - at - count) && recovered();
            kit_end();
            good = good && kit_begin(true) && consume(bytes, at + count) &&
                   consume(bytes + at, byte_count - at) && recovered();
            kit_end();
        }
    return good;
}

/* Unplugged anywhere: after start() nothing of before is left, and no loss is told across. */
static bool vanish_and_return(void) {
    bool good = true;
    for (size_t at = 0; good && at < byte_count; at += 37) {
        good = kit_begin(true) && consume(bytes, at);
        kit_told.used = 0;
        good = good && kit_start() && consume(bytes, byte_count);
        /* What the description had already told is not told anew, so only scans are compared. */
        good = good && as_expected();
        kit_end();
    }
    return good;
}

static bool holes_are_told(void) {
    if (!kit_driver->hole)
        return true;
    bool good = true;
    for (size_t at = 0; good && at < byte_count / 2; at += 101) {
        good = kit_begin(true) && consume(bytes, at);
        kit_driver->hole(kit_told.board);
        good = good && consume(bytes + at + 20, byte_count - at - 20) && recovered();
        kit_end();
    }
    return good;
}

/* A slow board is asked again and again: what it has sent so far is still good. */
static bool asking_again_costs_nothing(void) {
    bool good = true;
    for (size_t at = 0; kit_driver->again && good && at < byte_count; at += 37) {
        struct board_bytes request = {0};
        good = kit_begin(true) && consume(bytes, at) &&
               kit_driver->again(kit_told.board, &request) == 0 &&
               request.count <= BOARD_BYTES_MAX && consume(bytes + at, byte_count - at) &&
               as_expected();
        kit_end();
    }
    return good;
}

static bool nothing_is_allocated(void) {
    if (!kit_begin(false))
        return false;
    size_t before = allocations_count();
    for (int i = 0; i < 20; i++)
        (void)kit_driver->consume(kit_told.board, bytes, byte_count);
    bool good = allocations_count() == before && kit_told.any;
    kit_end();
    return good;
}

static bool stop_and_close_in_any_state(void) {
    struct board_bytes request = {0};
    bool good = true;
    kit_driver->close(NULL);
    for (size_t at = 0; good && at < byte_count; at += 509) {
        good = kit_begin(true) && consume(bytes, at);
        good = good && (!kit_driver->stop || kit_driver->stop(kit_told.board, &request) == 0) &&
               request.count <= BOARD_BYTES_MAX;
        kit_end();
    }
    return good;
}

bool kit_every_option_has_help(void) {
    for (const struct board_option *option = kit_driver->options; option && option->name; option++)
        if (!option->help || !option->help[0] ||
            (option->type == BOARD_OPTION_WORD && !option->words))
            return false;
    return kit_driver->interface == BOARD_INTERFACE && kit_driver->summary &&
           kit_driver->summary[0];
}

/* ---- reading what was recorded ---- */

static bool read_bytes(const char *path) {
    FILE *file = fopen(path, "r");
    unsigned byte;
    if (!file) {
        printf("%s: %s\n", path, strerror(errno));
        return false;
    }
    while (byte_count < sizeof bytes && fscanf(file, "%2x", &byte) == 1)
        bytes[byte_count++] = (uint8_t)byte;
    fclose(file);
    if (byte_count < 500)
        printf("%s: needs at least 500 recorded bytes in hexadecimal\n", path);
    return byte_count >= 500;
}

static bool read_scans(const char *path) {
    FILE *file = fopen(path, "r");
    if (!file) {
        printf("%s: %s\n", path, strerror(errno));
        return false;
    }
    size_t length = fread(kit_expected, 1, sizeof kit_expected - 1, file);
    kit_expected[length] = '\0';
    fclose(file);
    if (length == 0)
        printf("%s: says nothing of what is in the bytes\n", path);
    return length > 0;
}

/* A board file, or else a driver of that name. */
static bool choose(const char *name, struct board_file_read **read) {
    struct problems problems = {0};
    char path[BOARD_PATH_MAX];
    int result = board_files_load(name, read, &problems, path);
    problems_print(&problems, path, stdout);
    problems_clear(&problems);
    kit_driver = result == 0 ? (*read)->file.driver : drivers_find(name);
    if (result == 0)
        kit_settings.file = &(*read)->file;
    for (size_t i = 0; result == 0 && i < (*read)->setting_count && i < SETTINGS_MAX; i++)
        given[kit_settings.count++] = (*read)->setting[i];
    kit_settings.setting = given;
    if (kit_driver && (kit_driver->shape == BOARD_STREAM || kit_driver->bus == BOARD_SERIAL))
        return true;
    printf("%s: %s\n", name,
           kit_driver          ? "it is asked over no serial line: tests of its own try it"
           : result == -EINVAL ? "the board file is wrong"
                               : "neither a board file nor a driver");
    return false;
}

static bool is_option(const char *name) {
    for (const struct board_option *option = kit_driver->options; option && option->name; option++)
        if (strcmp(option->name, name) == 0)
            return true;
    printf("%s: driver %s has no such option\n", name, kit_driver->name);
    return false;
}

static bool read_words(int argc, char **argv, const char *name) {
    char bytes_path[512], scans_path[512];
    snprintf(bytes_path, sizeof bytes_path, CRANKTRAP_SOURCE "/tests/boards/%s.bytes", name);
    snprintf(scans_path, sizeof scans_path, CRANKTRAP_SOURCE "/tests/boards/%s.scans", name);
    int paths = 0;
    for (int i = 2; i < argc; i++) {
        char *equals = strchr(argv[i], '=');
        if (!equals && paths < 2) {
            snprintf(paths ? scans_path : bytes_path, sizeof bytes_path, "%s", argv[i]);
            paths++;
        } else if (equals && kit_settings.count < SETTINGS_MAX) {
            *equals = '\0';
            if (!is_option(argv[i]))
                return false;
            given[kit_settings.count++] = (struct board_setting){argv[i], equals + 1};
        }
    }
    if (paths < 2 && strchr(name, '/')) {
        puts("a board file by its path needs BYTES and SCANS behind it");
        return false;
    }
    snprintf(kit_bytes_path, sizeof kit_bytes_path, "%s", bytes_path);
    return read_bytes(bytes_path) && read_scans(scans_path);
}

int main(int argc, char **argv) {
    static const struct kit_check stream_checks[] = {
        {"every option has help", kit_every_option_has_help},
        {"recorded bytes give the recorded scans", recorded_bytes_give_the_recorded_scans},
        {"split at every byte", split_at_every_byte},
        {"byte by byte", byte_by_byte},
        {"flipped bits are recovered from", flipped_bits_are_recovered_from},
        {"missing and doubled bytes are recovered from",
         missing_and_doubled_bytes_are_recovered_from},
        {"holes are told", holes_are_told},
        {"vanish and return", vanish_and_return},
        {"asking again costs nothing", asking_again_costs_nothing},
        {"nothing is allocated while consuming", nothing_is_allocated},
        {"stop and close in any state", stop_and_close_in_any_state},
        {0},
    };
    struct board_file_read *read = NULL;
    int failed = 0;
    if (argc < 2) {
        fputs("usage: driver_kit NAME|PATH.board [BYTES SCANS] [KEY=VALUE ...]\n", stderr);
        return 2;
    }
    allocations_watch();
    if (!choose(argv[1], &read) || !read_words(argc, argv, argv[1])) {
        board_files_free(read);
        return 2;
    }
    bool stream = kit_driver->shape == BOARD_STREAM;
    for (const struct kit_check *check = stream ? stream_checks : kit_poll_checks; check->what;
         check++) {
        bool good = check->check();
        failed += !good;
        printf("%s  %s\n", good ? "good  " : "FAILED", check->what);
        fflush(stdout);
    }
    board_files_free(read);
    return failed ? 1 : 0;
}
