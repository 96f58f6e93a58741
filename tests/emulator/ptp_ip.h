/* ptp_ip.h - the emulated camera on a loopback port: PTP over IP as CIPA DC-X005 lays it out (two
 * connections, one for operations and one for events; little-endian packets of length, type and body). From
 * memory of the standard. A thread of its own serves it; several clients may come one after another.
 *
 * What it covers, besides the plain way: a link that is refused at the greeting; objects in several packets
 * and in one, datasets without a byte; a link that goes down before an answer, after it, and in the middle of
 * data; a gap of three seconds; an answer that never comes; properties as ranges, lists, strings, and as
 * polled records; complete before the object, two objects a release, an object to the host or on the card, an
 * object that nobody tells of or that does not exist; busy, general error, store full, busy though it has
 * fired; no shot left, a battery at any level; the lens in signed steps and in named sizes, only in live
 * view, with play, with a time for its way, with stops that tell and stops that do not, a step too short, a
 * move answered busy after a second, a switch that holds it; and for one release, at each of six moments, one
 * of eight blows (ptp_harm.c), among them a camera that goes away and comes back with its lens elsewhere.
 *
 * libgphoto2's port name for it: ptpip:127.0.0.1:PORT:PORT (command and event port are one). */
#ifndef TESTS_EMULATOR_PTP_IP_H
#define TESTS_EMULATOR_PTP_IP_H

#include "tests/emulator/ptp_camera.h"

/* Packet types. */
enum {
    PTP_IP_INIT_COMMAND_REQUEST = 1,
    PTP_IP_INIT_COMMAND_ACK,
    PTP_IP_INIT_EVENT_REQUEST,
    PTP_IP_INIT_EVENT_ACK,
    PTP_IP_INIT_FAIL,
    PTP_IP_REQUEST,
    PTP_IP_RESPONSE,
    PTP_IP_EVENT,
    PTP_IP_START_DATA,
    PTP_IP_DATA,
    PTP_IP_CANCEL,
    PTP_IP_END_DATA,
    PTP_IP_PING,
    PTP_IP_PONG
};

struct ptp_ip;

/* Aborts the program when there is no socket to be had. */
struct ptp_ip *ptp_ip_start(const struct ptp_camera_opts *);
void ptp_ip_stop(struct ptp_ip *);
int ptp_ip_port(const struct ptp_ip *);

/* Cuts the link and refuses new ones; puts it back. The camera keeps what it has. */
void ptp_ip_unplug(struct ptp_ip *);
void ptp_ip_plug(struct ptp_ip *);
/* Refuses the next connections with 'init fail', until told otherwise. */
void ptp_ip_refuse(struct ptp_ip *, bool refuse);

/* The camera, between these two only. */
struct ptp_camera *ptp_ip_lock(struct ptp_ip *);
void ptp_ip_unlock(struct ptp_ip *);

/* Answers one operation as packets, as they go over the command connection: Start Data, Data..., End Data
 * when there is data (objects of more than `chunk` bytes in several packets), then the response. Exposed for
 * the transcript test. */
void ptp_ip_packets(const struct ptp_answer *, uint32_t transaction, uint32_t chunk, struct ptp_out *);

#endif
