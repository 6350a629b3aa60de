// SPDX-License-Identifier: Apache-2.0
/*
 * cross_talk.c - gathers the shares of the first steps seen, and takes their median.
 */
#include "cross_talk.h"

#include "sorted.h"

#include <errno.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

#define STEPS_MOST   512
#define MAD_TO_SIGMA 1.4826 /* of a normal distribution: 1 / its 75 % quantile */
#define MEDIAN_DOUBT 1.2533 /* sqrt(pi / 2): a median's standard error against a mean's */

struct cross_talk_input {
    double least_step;
    size_t steps; /* of the input before it */
    double shares[STEPS_MOST];
};

struct cross_talk {
    size_t stream, inputs;
    struct cross_talk_input input[];
};

int cross_talk_new(size_t stream, size_t inputs, const double *least_step,
                   struct cross_talk **cross_talk) {
    struct cross_talk *made = calloc(1, sizeof *made + inputs * sizeof made->input[0]);
    if (!made)
        return -ENOMEM;
    made->stream = stream;
    made->inputs = inputs;
    for (size_t i = 0; i < inputs; i++)
        made->input[i].least_step = least_step[i];
    *cross_talk = made;
    return 0;
}

void cross_talk_free(struct cross_talk *cross_talk) {
    free(cross_talk);
}

/* `before` and `counts` from scan 1 of the run; `lag`: the one before is of the earlier scan. */
static void push_input(struct cross_talk_input *input, double least_step, const int32_t *before,
                       const int32_t *counts, size_t scans, size_t lag) {
    for (size_t i = 1 + lag; i < scans && input->steps < STEPS_MOST; i++) {
        double step = (double)before[i - lag] - (double)before[i - lag - 1];
        if (fabs(step) >= least_step)
            input->shares[input->steps++] = ((double)counts[i] - (double)counts[i - 1]) / step;
    }
}

void cross_talk_push(struct cross_talk *cross_talk, const struct record_run *run) {
    size_t inputs = cross_talk->inputs;
    if (run->stream != cross_talk->stream || run->inputs != inputs || inputs < 2)
        return;
    for (size_t i = 0; i < inputs; i++) {
        size_t before = (i + inputs - 1) % inputs;
        push_input(&cross_talk->input[i], cross_talk->input[before].least_step, run->counts[before],
                   run->counts[i], run->scans, i == 0);
    }
}

size_t cross_talk_read(const struct cross_talk *cross_talk, size_t input, double *share,
                       double *doubt) {
    const struct cross_talk_input *of = &cross_talk->input[input];
    double values[STEPS_MOST];
    size_t count = of->steps;
    *share = *doubt = (double)NAN;
    if (count < CROSS_TALK_LEAST)
        return count;
    memcpy(values, of->shares, count * sizeof *values);
    *share = sorted_median(values, count);
    for (size_t i = 0; i < count; i++)
        values[i] = fabs(of->shares[i] - *share);
    *doubt = 2.0 * MEDIAN_DOUBT * MAD_TO_SIGMA * sorted_median(values, count) / sqrt((double)count);
    return count;
}
