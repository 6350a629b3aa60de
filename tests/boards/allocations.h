// SPDX-License-Identifier: Apache-2.0
/*
 * allocations.h - counts every call of the allocator in the program that it is linked into, by the
 * sanitizer's hook or by standing in front of the C library.
 */
#ifndef CRANKTRAP_ALLOCATIONS_H
#define CRANKTRAP_ALLOCATIONS_H

#include <stddef.h>

/* Once, before the first that is to count. */
void allocations_watch(void);

/* So many up to now. */
size_t allocations_count(void);

#endif
