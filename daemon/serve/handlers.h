// SPDX-License-Identifier: Apache-2.0
/*
 * handlers.h - one function a request, grouped by file as here. docs/api.md says what they do.
 * libmicrohttpd's thread. `rest` is what follows the route's path.
 */
#ifndef CRANKTRAP_HANDLERS_H
#define CRANKTRAP_HANDLERS_H

#include "request.h"

typedef enum MHD_Result handler(struct serve *serve, struct request *request, const char *rest);

/* state_requests.c */
handler get_status, get_now, post_latch, post_keep, post_night;

/* bench_requests.c */
handler get_samples, post_calibration;

/* snapshot_requests.c: `request->number` is its number */
handler get_snapshot, post_snapshot, delete_snapshot;

/* command_requests.c: what commands print */
handler get_attempts, get_night, get_report, get_sheet, get_comparison, get_ready;

/* draw_requests.c */
handler get_snapshot_draw, get_ring_draw;

/* file_requests.c */
handler get_snapshot_file;

/* live.c */
handler get_live;

/* mark_requests.c */
handler get_marks, post_notes, post_clock;

/* hookup_change.c */
handler post_hookup_check, put_hookup;

/* metrics.c */
handler get_metrics;

/* phone.c */
handler get_phone, post_phone, delete_phone;

/* hookup_requests.c */
handler get_hookup;

/* openapi_requests.c */
handler get_openapi;

/* page_requests.c */
handler get_front, get_page_file;

#endif
