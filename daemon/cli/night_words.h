// SPDX-License-Identifier: Apache-2.0
/*
 * night_words.h - the night of an attempt in a few sentences, for its sheet.
 */
#ifndef CRANKTRAP_NIGHT_WORDS_H
#define CRANKTRAP_NIGHT_WORDS_H

#include "night.h"

#include <stddef.h>

#define NIGHT_WORDS_MOST 8

/*
 * How many attempts failed and started, what set the failed ones apart, and what did not. `since_s`
 * as night_study() takes it. Writes allocated sentences (free them) and returns how many; none
 * where there is nothing to compare, or no memory.
 */
size_t night_words(const struct night *night, double since_s, char *words[NIGHT_WORDS_MOST]);

#endif
