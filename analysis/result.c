// SPDX-License-Identifier: Apache-2.0
/*
 * result.c - memory and names of the analysis' result.
 */
#include "result.h"

#include <errno.h>
#include <math.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static const struct {
    const char *name, *circuit;
} faults[] = {
#define FAULT(enumerator, name, circuit) {name, circuit},
    FAULTS_TABLE(FAULT)
#undef FAULT
};

const char *fault_name(enum fault fault) {
    return faults[fault].name;
}

const char *fault_circuit(enum fault fault) {
    return faults[fault].circuit;
}

const char *certainty_name(enum certainty certainty) {
    static const char *const names[] = {"cannot-tell", "likely", "shown"};
    return names[certainty];
}

const char *outcome_name(enum outcome outcome) {
    static const char *const names[] = {
        [OUTCOME_UNKNOWN] = "unknown",
        [OUTCOME_STARTED] = "started",
        [OUTCOME_STARTED_THEN_STOPPED] = "started-then-stopped",
        [OUTCOME_DID_NOT_START] = "did-not-start",
        [OUTCOME_RELEASED_EARLY] = "released-early",
        [OUTCOME_DID_NOT_CRANK] = "did-not-crank",
    };
    return names[outcome];
}

const char *check_result_name(enum check_result result) {
    static const char *const names[] = {"pass", "fail", "too-close", "not-possible"};
    return names[result];
}

/*
 * Makes room for one more element of `size` bytes and zeroes it. Room doubles whenever the count
 * is a power of two, so nobody has to remember it. NULL: no memory, the list is as it was.
 */
static void *grow(void *list, size_t count, size_t size) {
    if ((count & (count - 1)) == 0) {
        size_t room = count == 0 ? 1 : count * 2;
        list = realloc(list, room * size);
        if (list == NULL)
            return NULL;
    }
    memset((char *)list + count * size, 0, size);
    return list;
}

struct analysis_phase *result_add_phase(struct analysis *analysis) {
    void *list = grow(analysis->phases, analysis->phase_count, sizeof *analysis->phases);
    if (list == NULL)
        return NULL;
    analysis->phases = list;
    return &analysis->phases[analysis->phase_count++];
}

struct analysis_attempt *result_add_attempt(struct analysis *analysis) {
    void *list = grow(analysis->attempts, analysis->attempt_count, sizeof *analysis->attempts);
    if (list == NULL)
        return NULL;
    analysis->attempts = list;
    return &analysis->attempts[analysis->attempt_count++];
}

struct analysis_level *result_add_level(struct analysis *analysis) {
    void *list = grow(analysis->levels, analysis->level_count, sizeof *analysis->levels);
    if (list == NULL)
        return NULL;
    analysis->levels = list;
    return &analysis->levels[analysis->level_count++];
}

struct analysis_check *result_add_check(struct analysis *analysis) {
    void *list = grow(analysis->checks, analysis->check_count, sizeof *analysis->checks);
    if (list == NULL)
        return NULL;
    analysis->checks = list;
    return &analysis->checks[analysis->check_count++];
}

struct analysis_finding *result_add_finding(struct analysis *analysis) {
    void *list = grow(analysis->findings, analysis->finding_count, sizeof *analysis->findings);
    if (list == NULL)
        return NULL;
    analysis->findings = list;
    return &analysis->findings[analysis->finding_count++];
}

struct analysis_wheel *result_add_wheel(struct analysis *analysis, size_t edges) {
    void *list = grow(analysis->wheels, analysis->wheel_count, sizeof *analysis->wheels);
    double *degrees = calloc(edges, sizeof *degrees);
    if (list != NULL)
        analysis->wheels = list;
    if (list == NULL || degrees == NULL) {
        free(degrees);
        return NULL;
    }
    struct analysis_wheel *wheel = &analysis->wheels[analysis->wheel_count++];
    wheel->edges = edges;
    wheel->degrees = degrees;
    return wheel;
}

struct analysis_cam *result_add_cam(struct analysis *analysis) {
    void *list = grow(analysis->cams, analysis->cam_count, sizeof *analysis->cams);
    if (list == NULL)
        return NULL;
    analysis->cams = list;
    return &analysis->cams[analysis->cam_count++];
}

void result_drop_cam(struct analysis *analysis) {
    free(analysis->cams[--analysis->cam_count].edges);
}

struct analysis_cam_edge *result_add_cam_edge(struct analysis_cam *cam) {
    void *list = grow(cam->edges, cam->edge_count, sizeof *cam->edges);
    if (list == NULL)
        return NULL;
    cam->edges = list;
    return &cam->edges[cam->edge_count++];
}

__attribute__((format(printf, 1, 0))) static char *sentence(const char *format, va_list arguments) {
    char *text = NULL;
    return vasprintf(&text, format, arguments) < 0 ? NULL : text;
}

char *result_sentence(int *error, const char *format, ...) {
    va_list arguments;
    va_start(arguments, format);
    char *text = sentence(format, arguments);
    va_end(arguments);
    if (text == NULL)
        *error = -ENOMEM;
    return text;
}

/* Takes over `text`, which may be NULL (no memory). */
static void add_text(int *error, struct analysis_texts *texts, char *text) {
    bool known = false;
    for (size_t i = 0; text != NULL && i < texts->count; i++)
        known = known || strcmp(texts->text[i], text) == 0;
    if (known) {
        free(text);
        return;
    }
    char **list = text == NULL ? NULL : grow(texts->text, texts->count, sizeof *texts->text);
    if (list == NULL) {
        free(text);
        *error = -ENOMEM;
        return;
    }
    texts->text = list;
    texts->text[texts->count++] = text;
}

void result_say(int *error, struct analysis_texts *texts, const char *format, ...) {
    va_list arguments;
    va_start(arguments, format);
    add_text(error, texts, sentence(format, arguments));
    va_end(arguments);
}

struct analysis_verdict result_empty_verdict(void) {
    return (struct analysis_verdict){
        .fault = FAULT_NOTHING_FOUND,
        .sensor = CHANNEL_NONE,
        .channel = CHANNEL_NONE,
        .at_s = (double)NAN,
        .at_from_s = (double)NAN,
        .at_to_s = (double)NAN,
        .certainty = CERTAINTY_CANNOT_TELL,
    };
}

void result_free_texts(struct analysis_texts *texts) {
    for (size_t i = 0; i < texts->count; i++)
        free(texts->text[i]);
    free(texts->text);
}

static void free_verdict(struct analysis_verdict *verdict) {
    free(verdict->observed);
    result_free_texts(&verdict->because);
    result_free_texts(&verdict->followers);
    result_free_texts(&verdict->alternatives);
    result_free_texts(&verdict->next);
    result_free_texts(&verdict->not_tested);
}

static void copy_texts(int *error, const struct analysis_texts *from, struct analysis_texts *to) {
    *to = (struct analysis_texts){0, NULL};
    for (size_t i = 0; i < from->count; i++)
        result_say(error, to, "%s", from->text[i]);
}

int result_copy_verdict(const struct analysis_verdict *from, struct analysis_verdict *to) {
    int error = 0;
    struct analysis_verdict copy = *from;
    copy.observed = NULL;
    if (from->observed != NULL)
        copy.observed = result_sentence(&error, "%s", from->observed);
    copy_texts(&error, &from->because, &copy.because);
    copy_texts(&error, &from->followers, &copy.followers);
    copy_texts(&error, &from->alternatives, &copy.alternatives);
    copy_texts(&error, &from->next, &copy.next);
    copy_texts(&error, &from->not_tested, &copy.not_tested);
    if (error != 0) {
        free_verdict(&copy);
        copy = result_empty_verdict();
    }
    *to = copy;
    return error;
}

void analysis_free(struct analysis *analysis) {
    if (analysis == NULL)
        return;
    for (size_t i = 0; i < analysis->attempt_count; i++) {
        free_verdict(&analysis->attempts[i].verdict);
        free(analysis->attempts[i].speeds);
        free(analysis->attempts[i].turning);
    }
    for (size_t i = 0; i < analysis->check_count; i++)
        free(analysis->checks[i].why);
    for (size_t i = 0; i < analysis->finding_count; i++)
        free(analysis->findings[i].text);
    for (size_t i = 0; i < analysis->wheel_count; i++)
        free(analysis->wheels[i].degrees);
    for (size_t i = 0; i < analysis->cam_count; i++)
        free(analysis->cams[i].edges);
    free_verdict(&analysis->verdict);
    free(analysis->wheels);
    free(analysis->cams);
    free(analysis->phases);
    free(analysis->attempts);
    free(analysis->levels);
    free(analysis->checks);
    free(analysis->findings);
    free(analysis);
}
