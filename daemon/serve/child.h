// SPDX-License-Identifier: Apache-2.0
/*
 * child.h - a program run to its end, and what it printed, within bounds of time and bytes.
 */
#ifndef CRANKTRAP_CHILD_H
#define CRANKTRAP_CHILD_H

#include <stdatomic.h>
#include <stddef.h>

struct child_output {
    char *bytes; /* standard output, NUL-terminated; free() it */
    size_t size;
    char said[512]; /* the last line of standard error; "" where there was none */
};

/*
 * Runs arguments[0] (a path) with `arguments` (NULL-terminated), nothing on its standard input,
 * niced by 10. Returns its exit status and fills `*output`; or -ETIMEDOUT after `seconds`, -EFBIG
 * beyond `bytes` of output, -ECANCELED once `*cancel` is true, -ECHILD where a signal ended it,
 * and the errno where it could not be run: the child is then gone and `*output` untouched, but for
 * `said`. Any thread; blocks.
 */
int child_run(char *const arguments[], double seconds, size_t bytes, const atomic_bool *cancel,
              struct child_output *output);

#endif
