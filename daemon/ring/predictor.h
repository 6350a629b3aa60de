// SPDX-License-Identifier: Apache-2.0
/*
 * predictor.h - what a sample is expected to be from those before it; only for the codec.
 *
 * All arithmetic is modulo 2^32, so that any 32-bit sample survives it.
 */
#ifndef CRANKTRAP_PREDICTOR_H
#define CRANKTRAP_PREDICTOR_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#define PREDICTOR_ORDER_MAX 8

/* The numbers stand in files. */
enum predictor_kind {
    PREDICTOR_CONSTANT = 0,     /* origin */
    PREDICTOR_DIFFERENCE_1 = 1, /* the sample before */
    PREDICTOR_DIFFERENCE_2 = 2, /* the straight line through the two before */
    PREDICTOR_DIFFERENCE_3 = 3, /* the parabola through the three before */
    PREDICTOR_LEVELS = 4,       /* origin or upper, whichever the sample is coded to be near */
    PREDICTOR_LINEAR = 5,       /* a weighted sum of the deviations from origin before it */
    PREDICTOR_KINDS
};

struct predictor {
    enum predictor_kind kind;
    int32_t origin; /* differences: stands for every sample before the first */
    int32_t upper;  /* LEVELS only */
    /* LINEAR only: weights in units of 2^-shift, the latest sample's first */
    unsigned order, shift;
    int16_t weight[PREDICTOR_ORDER_MAX];
};

/* What all fits need to know of a block. */
struct predictor_block {
    const int32_t *samples;
    size_t count;
    int32_t least, most, mean;
};

/* `count` at least 1. */
struct predictor_block predictor_look(const int32_t *samples, size_t count);

/* Fits `kind` to the block; false where it cannot serve. */
bool predictor_fit(const struct predictor_block *block, enum predictor_kind kind,
                   struct predictor *predictor);

/* Samples above this are coded as near the upper level: only LEVELS has any. */
int32_t predictor_cut(const struct predictor *predictor);

/* residuals[i] = samples[from + i] - its prediction, for the samples [from, to) of a block. */
void predictor_residuals(const struct predictor *predictor, const int32_t *samples, size_t from,
                         size_t to, int32_t *residuals);

/*
 * The way back, in place: residuals become samples. For CONSTANT and LEVELS the level is already
 * added (predictor_base), and nothing is left to do.
 */
void predictor_restore(const struct predictor *predictor, int32_t *samples, size_t count);

/* What is to be added to a residual before predictor_restore. */
int32_t predictor_base(const struct predictor *predictor, bool upper);

#endif
