// SPDX-License-Identifier: Apache-2.0
/*
 * poll_boards_test.c - poll boards, and simulations that supply the time: a scripted driver says
 * in each fetch what its script says.
 */
#include "cmocka_helper.h"
#include "intake_helper.h"

#include "drivers.h"
#include "problems.h"
#include "record.h"

#include <errno.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>

#define RATE_HZ 1000.0
#define INPUTS  2

/* What one fetch does. */
struct step {
    unsigned repeat;
    unsigned scans;
    uint64_t lost; /* before them; BOARD_LOSS_UNKNOWN */
    bool time;     /* note it afterwards: scans / RATE_HZ */
    int result;    /* negative: returned instead */
};

/* One script at a time; a test sets it before the threads start. */
static const struct step *script;
static size_t step_count;

struct board {
    struct board_sinks sinks;
    size_t step;
    unsigned done; /* repeats of the step */
    uint64_t scan; /* lost ones counted */
    unsigned starts;
};

static int scripted_open(const struct board_settings *settings, const struct board_sinks *sinks,
                         struct board **board, char *why, size_t why_size) {
    (void)settings, (void)why, (void)why_size;
    *board = calloc(1, sizeof **board);
    if (*board == NULL)
        return -ENOMEM;
    (*board)->sinks = *sinks;
    return 0;
}

static int scripted_describe(const struct board *board, struct board_description *description) {
    (void)board;
    description->inputs = INPUTS;
    description->rate_hz = RATE_HZ;
    for (size_t i = 0; i < INPUTS; i++) {
        description->bits[i] = 24;
        description->rail_high[i] = 0xFFFFFF;
        description->volts_per_count[i] = 1e-6;
    }
    return 0;
}

/* The same of a board that does not know its volts per count. */
static int describe_without_volts(const struct board *board,
                                  struct board_description *description) {
    (void)scripted_describe(board, description);
    for (size_t i = 0; i < INPUTS; i++)
        description->volts_per_count[i] = (double)NAN;
    return 0;
}

static int scripted_start(struct board *board, struct board_bytes *request) {
    (void)request;
    board->starts++;
    return board->starts == 1 && step_count > 0 && script[0].repeat == 0 ? -EACCES : 0;
}

static void give(struct board *board, unsigned scans) {
    int32_t counts[256 * INPUTS];
    while (scans > 0) {
        unsigned part = scans < 256 ? scans : 256;
        for (unsigned i = 0; i < part; i++) {
            counts[i * INPUTS] = (int32_t)((board->scan + i) & 0xFFFFFF);
            counts[i * INPUTS + 1] = -5;
        }
        board->sinks.samples(board->sinks.context, counts, part);
        board->scan += part;
        scans -= part;
    }
}

static int scripted_fetch(struct board *board, int deadline_ms) {
    (void)deadline_ms;
    while (board->step < step_count && board->done == script[board->step].repeat) {
        board->step++;
        board->done = 0;
    }
    if (board->step == step_count) { /* nothing more to say, and no end either */
        nanosleep(&(struct timespec){0, 10000000}, NULL);
        return 0;
    }
    const struct step *step = &script[board->step];
    board->done++;
    if (step->result < 0)
        return step->result;
    if (step->lost > 0) {
        board->sinks.loss(board->sinks.context, BOARD_LOSS_LATE, step->lost);
        board->scan += step->lost != BOARD_LOSS_UNKNOWN ? step->lost : 1000;
    }
    give(board, step->scans);
    if (step->time)
        board->sinks.note(board->sinks.context, BOARD_NOTE_TIME,
                          (int64_t)((double)board->scan * 1e9 / RATE_HZ));
    return (int)step->scans;
}

static void scripted_close(struct board *board) {
    free(board);
}

static const struct board_option options[] = {
    {.name = "begins", .type = BOARD_OPTION_TEXT, .help = "date"}, {0}};

static const struct board_driver scripted = {
    .interface = BOARD_INTERFACE,
    .name = "scripted",
    .summary = "for these tests",
    .shape = BOARD_POLL,
    .bus = BOARD_SIMULATED,
    .options = options,
    .open = scripted_open,
    .describe = scripted_describe,
    .start = scripted_start,
    .fetch = scripted_fetch,
    .close = scripted_close,
};

static int set_up(void **state) {
    *state = rig_new();
    return 0;
}

static int tear_down(void **state) {
    rig_free(*state);
    return 0;
}

#define SCRIPT(rig, ...)                                                                           \
    do {                                                                                           \
        static const struct step steps[] = {__VA_ARGS__};                                          \
        script = steps;                                                                            \
        step_count = sizeof steps / sizeof steps[0];                                               \
        rig_add(rig, "poll", &scripted, NULL);                                                     \
    } while (0)

static void from_first_scan_to_the_end(void **state) {
    struct rig *rig = *state;
    SCRIPT(rig, {.repeat = 30, .scans = 100}, {.repeat = 1, .result = -ENODATA});
    rig_start(rig);
    WAIT_UNTIL(NULL, 0, intake_ended(rig->intake));
    struct intake_status status = rig_status(rig, 0);
    assert_int_equal(status.state, INTAKE_ENDED);
    assert_int_equal(status.scans, 3000);
    assert_int_equal(rig_told(rig, 0).scans, 3000);
    assert_int_equal(rig_told(rig, 0).described, 1);
    assert_int_equal(rig_events(rig, 0, INTAKE_STREAMING), 1);
    assert_int_equal(rig_events(rig, 0, INTAKE_ENDED), 1);
    assert_false(timebase_driven(rig->timebase));

    struct stored *stored = stored_take(rig); /* all in the ring, without a stop */
    stored_check(stored, 0);
    assert_int_equal(stored_scans(stored, 0), 3000);
    stored_free(stored);
    assert_int_equal(intake_flush(rig->intake, 10000), 0);
}

static void losses_in_their_place(void **state) {
    struct rig *rig = *state;
    SCRIPT(rig, {.repeat = 1, .scans = 10, .lost = 55}, /* before the first scan: not missed */
           {.repeat = 1, .scans = 100}, {.repeat = 1, .scans = 100, .lost = 40},
           {.repeat = 1, .scans = 100, .lost = BOARD_LOSS_UNKNOWN},
           {.repeat = 1, .result = -ENODATA});
    rig_start(rig);
    WAIT_UNTIL(NULL, 0, intake_ended(rig->intake));
    struct intake_status status = rig_status(rig, 0);
    assert_int_equal(status.scans, 310);
    assert_int_equal(status.scans_lost, 40);
    assert_int_equal(status.losses[BOARD_LOSS_LATE], 40);
    assert_int_equal(status.losses_unknown, 1);
    assert_int_equal(status.epoch, 8);
    assert_int_equal(rig_told(rig, 0).runs_after_loss, 2);
    struct stored *stored = stored_take(rig);
    stored_check(stored, 0);
    stored_free(stored);
}

static void gone_and_back(void **state) {
    struct rig *rig = *state;
    SCRIPT(rig, {.repeat = 1, .scans = 100}, {.repeat = 1, .result = -ENODEV},
           {.repeat = 1, .result = -ENODEV}, {.repeat = 1, .scans = 100},
           {.repeat = 1, .result = -ENODATA});
    rig_start(rig);
    WAIT_UNTIL(NULL, 0, intake_ended(rig->intake));
    assert_int_equal(rig_status(rig, 0).epoch, 8);
    assert_int_equal(rig_status(rig, 0).reconnects, 1);
    assert_int_equal(rig_status(rig, 0).losses_unknown, 1);
    assert_int_equal(rig_events(rig, 0, INTAKE_WAITING), 1); /* said once for two failures */
    struct stored *stored = stored_take(rig);
    stored_check(stored, 0);
    stored_free(stored);
}

static void cannot_be_started_yet(void **state) {
    struct rig *rig = *state;
    SCRIPT(rig, {.repeat = 0}, {.repeat = 1, .scans = 100}, {.repeat = 1, .result = -ENODATA});
    rig_start(rig);
    WAIT_UNTIL(NULL, 0, intake_ended(rig->intake));
    struct told told = rig_told(rig, 0);
    assert_int_equal(told.state[0], INTAKE_WAITING);
    assert_non_null(strstr(told.text[0], strerror(EACCES)));
    assert_int_equal(told.scans, 100);
}

/* 3600 s of scans in no time: everything counts on the simulation's time. */
static void simulation_drives_the_time(void **state) {
    struct rig *rig = *state;
    static const struct board_setting begins = {"begins", "2026-01-12T17:30:00Z"};
    SCRIPT(rig, {.repeat = 7200, .scans = 500, .time = true}, {.repeat = 1, .result = -ENODATA});
    rig->boards[0].settings = (struct board_settings){.count = 1, .setting = &begins};
    rig_start(rig);
    WAIT_UNTIL(NULL, 0, intake_ended(rig->intake));
    assert_true(timebase_driven(rig->timebase));
    /* date -u -d 2026-01-12T18:30:00 +%s */
    assert_true(timebase_wall_ns(rig->timebase) == 1768242600ll * 1000000000);
    int64_t end_ns = timebase_elapsed_ns(rig->timebase);
    assert_true(fabs(rig_told(rig, 0).last_time_s - ((double)end_ns / 1e9 - 0.001)) < 1e-6);
    assert_true(rig_status(rig, 0).clock_error_ns == 0.0);
    assert_true(rig_status(rig, 0).ppm == 0.0);

    struct stored *stored = stored_take(rig);
    stored_check(stored, 0);
    struct chunk_clock clock;
    assert_int_equal(chunk_parse_clock(stored_first(stored, 0, CHUNK_CLOCK), &clock), 0);
    assert_true(clock.elapsed_ns == end_ns - 3600ll * 1000000000);
    assert_true(clock.wall_ns == 1768239000ll * 1000000000);
    assert_true(clock.rate_hz == RATE_HZ);
    size_t blocks = 0, clocks = 0;
    for (size_t i = 0; i < stored->count; i++) {
        const struct chunk *chunk = &stored->chunk[i];
        clocks += chunk->type == CHUNK_CLOCK;
        if (chunk->type != CHUNK_BLOCK)
            continue;
        if (blocks++ > 0) /* the first ones may close before the first note of time */
            assert_true(chunk->scans <= 1000);
        assert_true(chunk->to_ns - chunk->from_ns == (int64_t)chunk->scans * 1000000);
    }
    assert_in_range(blocks, 3600, 3602); /* a second each */
    assert_in_range(clocks, 55, 65);     /* an anchor a minute, and no more: nothing moves */
    stored_free(stored);
}

/* The disk is slow, the simulation free: it waits, and nothing is lost. */
static void simulation_waits_for_the_disk(void **state) {
    struct rig *rig = *state;
    memory_ring_free(rig->memory);
    assert_int_equal(memory_ring_new(64 * 1024, &rig->memory), 0);
    SCRIPT(rig, {.repeat = 2000, .scans = 1000, .time = true}, {.repeat = 1, .result = -ENODATA});
    rig_start(rig);
    struct chunk chunk;
    uint64_t scans = 0;
    while (!intake_ended(rig->intake) || memory_ring_fill(rig->memory) > 0.0) {
        /* Takes only when the ring is more than half full: slower than any simulation. */
        if (!intake_ended(rig->intake) && memory_ring_fill(rig->memory) <= 0.5) {
            nanosleep(&(struct timespec){0, 100000}, NULL);
            continue;
        }
        if (!memory_ring_take(rig->memory, &chunk, 0))
            continue;
        scans += chunk.type == CHUNK_BLOCK ? chunk.scans : 0;
        chunk_done(&chunk);
    }
    assert_int_equal(memory_ring_state(rig->memory).blocks_lost, 0);
    assert_true(memory_ring_state(rig->memory).fullest > 32 * 1024);
    assert_int_equal(scans, 2000000);
}

/* Also while it waits there, it answers a flush and stops. */
static void waiting_simulation_stops(void **state) {
    struct rig *rig = *state;
    memory_ring_free(rig->memory);
    assert_int_equal(memory_ring_new(16 * 1024, &rig->memory), 0);
    SCRIPT(rig, {.repeat = 1000000, .scans = 1000, .time = true});
    rig_start(rig);
    WAIT_UNTIL(NULL, 0, memory_ring_fill(rig->memory) > 0.5);
    assert_int_equal(intake_flush(rig->intake, 10000), 0);
    intake_stop(rig->intake);
    assert_int_equal(memory_ring_state(rig->memory).blocks_lost, 0);
}

/* The hookup asks for an input that the board has not. */
static void contradiction_is_refused(void **state) {
    struct rig *rig = *state;
    static const char text[] = "[vehicle]\nname = van\n"
                               "[board sim]\ndriver = sim\ninputs = 2\n"
                               "[channel battery]\nboard = sim\ninput = 0\nrole = battery\n"
                               "divider = 4\n";
    struct problems problems = {0};
    struct hookup *hookup = NULL;
    if (hookup_parse(text, sizeof text - 1, HOOKUP_FOR_BOARDS, &hookup, &problems) != 0)
        fail_msg("the hookup was not taken: %s",
                 problems.count > 0 ? problems.problem[0].text : "");
    /* Taken, for the sim has this input; the scripted board says that it lacks volts per count. */
    struct board_driver ignorant = scripted;
    struct hookup_board board = hookup->boards[0];
    ignorant.describe = describe_without_volts;
    board.driver = &ignorant;
    board.settings.count = 0;
    hookup->boards = &board;
    script = NULL;
    step_count = 0;

    const struct intake_tap none = {0};
    assert_int_equal(
        intake_new(hookup, rig->memory, rig->timebase, &none, &rig->settings, &rig->intake), 0);
    assert_int_equal(intake_start(rig->intake), 0);
    WAIT_UNTIL(NULL, 0, rig_status(rig, 0).state == INTAKE_REFUSED);
    assert_non_null(strstr(rig_status(rig, 0).why, "the board contradicts the hookup: "));
    intake_free(rig->intake);
    rig->intake = NULL;
    hookup_free(hookup);
    problems_clear(&problems);
}

static int failing_open(const struct board_settings *settings, const struct board_sinks *sinks,
                        struct board **board, char *why, size_t why_size) {
    (void)settings, (void)sinks, (void)board;
    (void)snprintf(why, why_size, "rate and inputs do not go together");
    return -EINVAL;
}

static void refusing_driver_is_shown(void **state) {
    struct rig *rig = *state;
    struct board_driver failing = scripted;
    failing.open = failing_open;
    rig_add(rig, "poll", &failing, NULL);
    rig_start(rig);
    assert_int_equal(rig_status(rig, 0).state, INTAKE_REFUSED);
    assert_string_equal(rig_status(rig, 0).why, "rate and inputs do not go together");
    assert_int_equal(rig_events(rig, 0, INTAKE_REFUSED), 1);
    assert_int_equal(intake_flush(rig->intake, 10000), 0);
    intake_free(rig->intake);
    rig->intake = NULL;
}

#define TEST(function) cmocka_unit_test_setup_teardown(function, set_up, tear_down)

int main(void) {
    const struct CMUnitTest tests[] = {
        TEST(from_first_scan_to_the_end),
        TEST(losses_in_their_place),
        TEST(gone_and_back),
        TEST(cannot_be_started_yet),
        TEST(simulation_drives_the_time),
        TEST(simulation_waits_for_the_disk),
        TEST(waiting_simulation_stops),
        TEST(contradiction_is_refused),
        TEST(refusing_driver_is_shown),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
