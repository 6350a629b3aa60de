// SPDX-License-Identifier: Apache-2.0
/*
 * driver_kit.c - what every stream driver and every board file must keep to, tried on its recorded
 * bytes. `sh tests/driver NAME` runs it; docs/adding-a-board.md says what it wants.
 *
 *   driver_kit NAME|PATH.board [BYTES SCANS] [KEY=VALUE ...]
 *
 * NAME is a board file's or a driver's. BYTES is hexadecimal text, SCANS what is in it: a line of
 * counts with commas a scan, "lost N REASON" where N scans are missing (-1: nobody knows how many).
 * One line a check on stdout; exit status 1 where one failed.
 */
#include "allocations.h"
#include "board_files.h"
#include "drivers.h"

#include <errno.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define BYTES_MAX    (1u << 18)
#define TEXT_MAX     (1u << 20)
#define SETTINGS_MAX 16

/* ---- the driver under test, and what it tells ---- */

static const struct board_driver *driver;
static struct board_settings settings;
static struct board_setting given[SETTINGS_MAX];
static uint8_t bytes[BYTES_MAX];
static size_t byte_count;
static char expected[TEXT_MAX];

static struct told {
    struct board *board;
    struct board_description description;
    bool write;  /* scans are written down: off where only allocations are counted */
    bool any;    /* a scan has come since start() */
    bool broken; /* told something that no driver may tell */
    size_t used;
    char text[TEXT_MAX];
} told;

static void write_number(int64_t number, char behind) {
    if (told.used + 24 < sizeof told.text)
        told.used +=
            (size_t)snprintf(told.text + told.used, 24, "%lld%c", (long long)number, behind);
}

static void on_samples(void *context, const int32_t *counts, size_t scans) {
    const struct board_description *description = &told.description;
    size_t inputs = description->inputs;
    (void)context;
    told.any = true;
    told.broken = told.broken || scans == 0 || inputs == 0;
    for (size_t i = 0; i < scans * inputs; i++) {
        size_t input = i % inputs;
        bool railed = description->rail_low[input] <= description->rail_high[input];
        told.broken = told.broken || (railed && (counts[i] < description->rail_low[input] ||
                                                 counts[i] > description->rail_high[input]));
        if (told.write)
            write_number(counts[i], input + 1 < inputs ? ',' : '\n');
    }
}

static void on_loss(void *context, enum board_loss reason, uint64_t scans) {
    (void)context;
    told.broken = told.broken || scans == 0 || !told.any || reason >= BOARD_LOSSES;
    if (!told.write || told.used + 64 >= sizeof told.text)
        return;
    told.used += (size_t)snprintf(told.text + told.used, 64, "lost ");
    write_number((int64_t)scans, ' ');
    told.used += (size_t)snprintf(told.text + told.used, 32, "%s\n", board_loss_name(reason));
}

static void on_note(void *context, enum board_note note, int64_t value) {
    (void)context;
    told.broken = told.broken || note == BOARD_NOTE_TIME || value != 0;
    if (note == BOARD_NOTE_DESCRIBED && driver->describe(told.board, &told.description) != 0)
        told.broken = true;
}

static bool start(void) {
    struct board_bytes request = {0};
    told.any = false;
    if (driver->start(told.board, &request) != 0 || request.count > BOARD_BYTES_MAX)
        return false;
    (void)driver->describe(told.board, &told.description);
    return true;
}

static bool begin(bool write) {
    const struct board_sinks sinks = {&told, on_samples, on_loss, on_note};
    char why[256] = "";
    told.description.inputs =
        0; /* the text stays: zeroing it each time takes longer than all else */
    told.any = told.broken = false;
    told.write = write;
    told.used = 0;
    if (driver->open(&settings, &sinks, &told.board, why, sizeof why) < 0) {
        printf("  %s cannot be opened: %s\n", driver->name, why);
        return false;
    }
    return start();
}

static void end(void) {
    driver->close(told.board);
    told.board = NULL;
}

/* Memory of exactly this size, so that the sanitizer sees a read beyond it. */
static bool consume(const uint8_t *from, size_t count) {
    uint8_t *exact = malloc(count ? count : 1);
    if (!exact)
        return false;
    memcpy(exact, from, count);
    enum board_result result = driver->consume(told.board, exact, count);
    free(exact);
    return result < BOARD_RESULTS;
}

static bool as_expected(void) {
    told.text[told.used] = '\0';
    return !told.broken && strcmp(told.text, expected) == 0;
}

/* The last quarter of the recorded lines came, whatever was before. */
static bool recovered(void) {
    size_t length = strlen(expected);
    const char *tail = strchr(expected + length - length / 4, '\n');
    size_t tail_length = tail ? strlen(tail) : 0;
    told.text[told.used] = '\0';
    return !told.broken && tail_length > 1 && told.used >= tail_length &&
           strcmp(told.text + told.used - tail_length, tail) == 0;
}

/* ---- the checks ---- */

/* The first line that differs, of what was found and of what was recorded. */
static void print_difference(void) {
    const char *found = told.text;
    const char *recorded = expected;
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
    if (!begin(true))
        return false;
    bool good = consume(bytes, byte_count) && as_expected();
    if (!good)
        print_difference();
    if (told.broken)
        puts("  it told what no driver may tell: counts beyond its rails, a loss before any scan");
    end();
    return good;
}

static bool split_at_every_byte(void) {
    bool good = true;
    for (size_t at = 1; good && at < byte_count; at++) {
        good = begin(true) && consume(bytes, at) && consume(bytes + at, byte_count - at) &&
               as_expected();
        end();
    }
    return good;
}

static bool byte_by_byte(void) {
    bool good = begin(true);
    for (size_t at = 0; good && at < byte_count; at++)
        good = consume(bytes + at, 1);
    good = good && as_expected();
    end();
    return good;
}

/* A flipped bit in the first half may cost scans, never those of the end. */
static bool flipped_bits_are_recovered_from(void) {
    bool good = true;
    for (size_t bit = 0; good && bit < 4 * byte_count; bit += 61) {
        bytes[bit / 8] ^= (uint8_t)(1u << bit % 8);
        good = begin(true) && consume(bytes, byte_count) && recovered();
        end();
        bytes[bit / 8] ^= (uint8_t)(1u << bit % 8);
    }
    return good;
}

/* Bytes go missing, or come twice, in the first half. */
static bool missing_and_doubled_bytes_are_recovered_from(void) {
    bool good = true;
    for (size_t at = 0; good && at < byte_count / 2; at += 53)
        for (size_t count = 1; good && count < 1000 && at + count < byte_count / 2; count *= 7) {
            good = begin(true) && consume(bytes, at) &&
                   consume(bytes + at + count, byte_count - at - count) && recovered();
            end();
            good = good && begin(true) && consume(bytes, at + count) &&
                   consume(bytes + at, byte_count - at) && recovered();
            end();
        }
    return good;
}

/* Unplugged anywhere: after start() nothing of before is left, and no loss is told across. */
static bool vanish_and_return(void) {
    bool good = true;
    for (size_t at = 0; good && at < byte_count; at += 37) {
        good = begin(true) && consume(bytes, at);
        told.used = 0;
        good = good && start() && consume(bytes, byte_count);
        /* What the description had already told is not told anew, so only scans are compared. */
        good = good && as_expected();
        end();
    }
    return good;
}

static bool holes_are_told(void) {
    if (!driver->hole)
        return true;
    bool good = true;
    for (size_t at = 0; good && at < byte_count / 2; at += 101) {
        good = begin(true) && consume(bytes, at);
        driver->hole(told.board);
        good = good && consume(bytes + at + 20, byte_count - at - 20) && recovered();
        end();
    }
    return good;
}

/* A slow board is asked again and again: what it has sent so far is still good. */
static bool asking_again_costs_nothing(void) {
    bool good = true;
    for (size_t at = 0; driver->again && good && at < byte_count; at += 37) {
        struct board_bytes request = {0};
        good = begin(true) && consume(bytes, at) && driver->again(told.board, &request) == 0 &&
               request.count <= BOARD_BYTES_MAX && consume(bytes + at, byte_count - at) &&
               as_expected();
        end();
    }
    return good;
}

static bool nothing_is_allocated(void) {
    if (!begin(false))
        return false;
    size_t before = allocations_count();
    for (int i = 0; i < 20; i++)
        (void)driver->consume(told.board, bytes, byte_count);
    bool good = allocations_count() == before && told.any;
    end();
    return good;
}

static bool stop_and_close_in_any_state(void) {
    struct board_bytes request = {0};
    bool good = true;
    driver->close(NULL);
    for (size_t at = 0; good && at < byte_count; at += 509) {
        good = begin(true) && consume(bytes, at);
        good = good && (!driver->stop || driver->stop(told.board, &request) == 0) &&
               request.count <= BOARD_BYTES_MAX;
        end();
    }
    return good;
}

static bool every_option_has_help(void) {
    for (const struct board_option *option = driver->options; option && option->name; option++)
        if (!option->help || !option->help[0] ||
            (option->type == BOARD_OPTION_WORD && !option->words))
            return false;
    return driver->interface == BOARD_INTERFACE && driver->summary && driver->summary[0];
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
    size_t length = fread(expected, 1, sizeof expected - 1, file);
    expected[length] = '\0';
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
    driver = result == 0 ? (*read)->file.driver : drivers_find(name);
    if (result == 0)
        settings.file = &(*read)->file;
    for (size_t i = 0; result == 0 && i < (*read)->setting_count && i < SETTINGS_MAX; i++)
        given[settings.count++] = (*read)->setting[i];
    settings.setting = given;
    if (driver && driver->shape == BOARD_STREAM)
        return true;
    printf("%s: %s\n", name,
           driver              ? "a poll driver: it has no bytes to be tried on"
           : result == -EINVAL ? "the board file is wrong"
                               : "neither a board file nor a driver");
    return false;
}

static bool is_option(const char *name) {
    for (const struct board_option *option = driver->options; option && option->name; option++)
        if (strcmp(option->name, name) == 0)
            return true;
    printf("%s: driver %s has no such option\n", name, driver->name);
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
        } else if (equals && settings.count < SETTINGS_MAX) {
            *equals = '\0';
            if (!is_option(argv[i]))
                return false;
            given[settings.count++] = (struct board_setting){argv[i], equals + 1};
        }
    }
    if (paths < 2 && strchr(name, '/')) {
        puts("a board file by its path needs BYTES and SCANS behind it");
        return false;
    }
    return read_bytes(bytes_path) && read_scans(scans_path);
}

int main(int argc, char **argv) {
    static const struct {
        const char *what;
        bool (*check)(void);
    } checks[] = {
        {"every option has help", every_option_has_help},
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
    for (size_t i = 0; i < sizeof checks / sizeof checks[0]; i++) {
        bool good = checks[i].check();
        failed += !good;
        printf("%s  %s\n", good ? "good  " : "FAILED", checks[i].what);
        fflush(stdout);
    }
    board_files_free(read);
    return failed ? 1 : 0;
}
