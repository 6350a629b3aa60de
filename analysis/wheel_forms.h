// SPDX-License-Identifier: Apache-2.0
/*
 * wheel_forms.h - what is told of a window's wheels for comparing: their apparent patterns, and
 * where the cam's edges lie on the crank's turn.
 */
#ifndef CRANKTRAP_WHEEL_FORMS_H
#define CRANKTRAP_WHEEL_FORMS_H

#include "evidence.h"

/*
 * Adds to the lists `wheels` and `cams` of `analysis` what the finished evidence shows: measured
 * while the starter turned, or, where that were fewer than a few turns, in the first seconds of
 * running. Nothing is added for a wheel that could not be followed. 0 or -ENOMEM.
 */
int wheel_forms_add(const struct evidence *evidence, struct analysis *analysis);

#endif
