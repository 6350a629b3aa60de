// SPDX-License-Identifier: Apache-2.0
/*
 * import_write.h - the second pass over a CSV file: rows into blocks of a container.
 */
#ifndef CRANKTRAP_IMPORT_WRITE_H
#define CRANKTRAP_IMPORT_WRITE_H

#include "container.h"
#include "import_survey.h"

struct import_write;

/*
 * Writes into `container`, whose head is there already. `survey` (finished, without a problem) is
 * kept. `wall_ns` is the wall time of second 0 of the rows' own time. 0 or -ENOMEM.
 */
int import_write_new(const struct import_survey *survey, int64_t wall_ns,
                     struct container_writer *container, struct import_write **write);

/* Takes a row. 0, an error of the container, or -ESTALE: the file is not the one surveyed. */
int import_write_row(void *write, const struct import_row *row);
int import_write_broken(void *write, unsigned line, const char *what);

/* Writes what is left. Same errors. */
int import_write_finish(struct import_write *write);

/* Frees; takes NULL. */
void import_write_free(struct import_write *write);

#endif
