// SPDX-License-Identifier: Apache-2.0
/*
 * source_sim.c - plays the simulated board (driver sim) over the wire of a real one.
 */
#include "drivers.h"
#include "source.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define SETTINGS_MAX 32

struct sim {
    const struct board_driver *driver;
    struct board *board;
    struct board_description description;
    size_t scans, next, room; /* held in `counts`; values that fit */
    int32_t *counts;
    bool failed;
};

static void on_samples(void *context, const int32_t *counts, size_t scans) {
    struct sim *sim = context;
    size_t inputs = sim->description.inputs;
    if ((sim->scans + scans) * inputs > sim->room) {
        sim->room = 2 * (sim->scans + scans) * inputs;
        int32_t *larger = realloc(sim->counts, sim->room * sizeof *larger);
        if (!larger) {
            sim->failed = true;
            return;
        }
        sim->counts = larger;
    }
    memcpy(sim->counts + sim->scans * inputs, counts, scans * inputs * sizeof *counts);
    sim->scans += scans;
}

static void on_loss(void *context, enum board_loss reason, uint64_t scans) {
    (void)context;
    (void)reason;
    (void)scans;
}

static void on_note(void *context, enum board_note note, int64_t value) {
    (void)context;
    (void)note;
    (void)value;
}

static bool sim_next(void *state, double *volts) {
    struct sim *sim = state;
    if (sim->next == sim->scans) {
        sim->next = sim->scans = 0;
        while (sim->scans == 0)
            if (sim->failed || sim->driver->fetch(sim->board, 100) < 0)
                return false;
    }
    const struct board_description *description = &sim->description;
    const int32_t *counts = sim->counts + sim->next * description->inputs;
    for (size_t i = 0; i < description->inputs; i++)
        volts[i] = (counts[i] - description->zero_counts[i]) * description->volts_per_count[i];
    sim->next++;
    return true;
}

static void sim_close(void *state) {
    struct sim *sim = state;
    sim->driver->close(sim->board);
    free(sim->counts);
    free(sim);
}

static bool is_option(const char *name) {
    for (const struct board_option *option = drivers_find("sim")->options; option->name; option++)
        if (strcmp(option->name, name) == 0)
            return strcmp(name, "pace") != 0; /* that is the fake board's own */
    return false;
}

/* "name=value,name=value" cut up into settings; `text` is written into. */
static int read_options(char *text, struct board_setting *setting, size_t *count) {
    for (char *word; (word = strsep(&text, ","));) {
        char *value = strchr(word, '=');
        if (!*word)
            continue;
        if (!value || *count == SETTINGS_MAX) {
            fprintf(stderr, "fakeboard: --sim: '%s' is no option=value of the driver sim\n", word);
            return -1;
        }
        *value++ = '\0';
        if (!is_option(word)) {
            fprintf(stderr, "fakeboard: --sim: the driver sim has no option '%s' here\n", word);
            return -1;
        }
        setting[(*count)++] = (struct board_setting){word, value};
    }
    return 0;
}

static int open_sim(struct sim *sim, const struct board_settings *settings) {
    struct board_sinks sinks = {sim, on_samples, on_loss, on_note};
    struct board_bytes request;
    char why[256] = "";
    sim->driver = drivers_find("sim");
    if (sim->driver->open(settings, &sinks, &sim->board, why, sizeof why) < 0) {
        fprintf(stderr, "fakeboard: --sim: %s\n", why);
        return -1;
    }
    if (sim->driver->describe(sim->board, &sim->description) < 0 ||
        sim->driver->start(sim->board, &request) < 0) {
        fprintf(stderr, "fakeboard: --sim: the simulator does not begin\n");
        return -1;
    }
    return 0;
}

int source_sim_open(const char *options, struct source *source) {
    struct board_setting setting[SETTINGS_MAX + 1] = {{"pace", "free"}};
    struct board_settings settings = {.count = 1, .setting = setting};
    struct sim *sim = calloc(1, sizeof *sim);
    char *text = strdup(options);
    int result = sim && text ? read_options(text, setting, &settings.count) : -1;
    if (result == 0)
        result = open_sim(sim, &settings);
    free(text);
    if (result < 0) {
        if (sim && sim->board)
            sim->driver->close(sim->board);
        free(sim);
        return -1;
    }
    *source = (struct source){.inputs = sim->description.inputs,
                              .rate_hz = sim->description.rate_hz,
                              .state = sim,
                              .next = sim_next,
                              .close = sim_close};
    return 0;
}
