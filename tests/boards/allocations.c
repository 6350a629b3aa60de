// SPDX-License-Identifier: Apache-2.0
/*
 * allocations.c - a counter before malloc(), calloc() and realloc().
 */
#include "allocations.h"

#include <stdlib.h>

static volatile size_t allocations;

#if defined(__has_feature)
#if __has_feature(address_sanitizer) || __has_feature(thread_sanitizer)
#define SANITIZED 1
#endif
#endif
#if defined(__SANITIZE_ADDRESS__) || defined(__SANITIZE_THREAD__)
#define SANITIZED 1
#endif

#ifdef SANITIZED
int __sanitizer_install_malloc_and_free_hooks(void (*on_malloc)(const volatile void *, size_t),
                                              void (*on_free)(const volatile void *));
static void on_malloc(const volatile void *memory, size_t size) {
    (void)memory;
    (void)size;
    allocations++;
}
static void on_free(const volatile void *memory) {
    (void)memory;
}
void allocations_watch(void) {
    __sanitizer_install_malloc_and_free_hooks(on_malloc, on_free);
}
#else
/* The C library's own allocator, under its second names. */
void *__libc_malloc(size_t size);
void *__libc_calloc(size_t count, size_t size);
void *__libc_realloc(void *memory, size_t size);
void *malloc(size_t size) {
    allocations++;
    return __libc_malloc(size);
}
void *calloc(size_t count, size_t size) {
    allocations++;
    return __libc_calloc(count, size);
}
void *realloc(void *memory, size_t size) {
    allocations++;
    return __libc_realloc(memory, size);
}
void allocations_watch(void) {}
#endif

size_t allocations_count(void) {
    return allocations;
}
