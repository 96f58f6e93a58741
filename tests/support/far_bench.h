/* far_bench.h - a simulated bench in a process of its own: world, rail controller and camera live there and
 * outlive the host, which talks with them over a socket; both clocks are virtual and go together.
 *
 *    far_bench_start (forks) <--- bytes of the line, camera calls, "go on to this time" --- a host
 *
 * When its host goes away, a bench lets a minute pass by itself: a rail that hears nothing stops, a camera
 * finishes what it was at. Its shutter log stands in the shared page, whatever becomes of the processes. */
#ifndef TESTS_SUPPORT_FAR_BENCH_H
#define TESTS_SUPPORT_FAR_BENCH_H

#include <sys/types.h>

#include "run/shoot.h"
#include "tests/support/far_page.h"

struct far_page *far_page_map(const char *path); /* made where it is missing; aborts on failure */

/* A bench just switched on. `boot` tells it from those before. Returns its process. */
pid_t far_bench_start(const struct shoot_job *, const char *socket_path, struct far_page *, int boot);
void far_bench_kill(pid_t);

/* The host's side: puts the far camera and line in place of the simulated ones. NULL when nobody listens. */
struct far_host;
struct far_host *far_host_connect(const char *socket_path);
void far_host_use(struct far_host *, struct rig_opts *);
void far_host_close(struct far_host *);

#endif
