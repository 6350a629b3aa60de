// SPDX-License-Identifier: Apache-2.0
/*
 * words.h - names of channels, phases and places as they stand inside a sentence.
 */
#ifndef CRANKTRAP_WORDS_H
#define CRANKTRAP_WORDS_H

#include "survey.h"

/* A channel's name; the vehicle's. */
const char *words_channel(const struct survey *survey, size_t channel);
const char *words_phase(enum phase phase); /* "while the starter turned" */
const char *words_place(enum place place); /* "at the sensor" */

#endif
