#include "tests/emulator/ptp_ip.h"

#include <arpa/inet.h>
#include <errno.h>
#include <netinet/tcp.h>
#include <poll.h>
#include <pthread.h>
#include <stdlib.h>
#include <string.h>
#include <sys/socket.h>
#include <time.h>
#include <unistd.h>

#define CHUNK       16384u
#define PACKET_MOST (64u << 20)
#define TICK_MS     10
#define AWAY_US     2000000

struct ptp_ip {
    pthread_t thread;
    pthread_mutex_t lock; /* of what follows */
    struct ptp_camera camera;
    bool unplugged, refusing;
    int64_t back_us;               /* unplugged until then; 0: until it is plugged in */
    int listening, command, event; /* sockets; -1: none */
    int port, stop_read, stop_write;
    uint32_t connection;
    /* of the operation whose data comes in */
    struct ptp_request request;
    uint32_t transaction;
    struct ptp_out incoming;
    bool data_follows;
};

static int64_t now_us(void)
{
    struct timespec t;
    clock_gettime(CLOCK_MONOTONIC, &t);
    return (int64_t)t.tv_sec * 1000000 + t.tv_nsec / 1000;
}

/* ---- packets ---- */

static void packet_head(struct ptp_out *o, size_t body, uint32_t type)
{
    put_u32(o, (uint32_t)body + 8);
    put_u32(o, type);
}

static void put_data(const struct ptp_answer *a, uint32_t transaction, uint32_t chunk, struct ptp_out *o)
{
    size_t at = 0;
    packet_head(o, 12, PTP_IP_START_DATA);
    put_u32(o, transaction);
    put_u64(o, a->data.count);
    for (; a->data.count - at > chunk; at += chunk) {
        packet_head(o, 4 + chunk, PTP_IP_DATA);
        put_u32(o, transaction);
        put_bytes(o, a->data.bytes + at, chunk);
    }
    packet_head(o, 4 + a->data.count - at, PTP_IP_END_DATA);
    put_u32(o, transaction);
    put_bytes(o, a->data.count ? a->data.bytes + at : NULL, a->data.count - at);
}

void ptp_ip_packets(const struct ptp_answer *a, uint32_t transaction, uint32_t chunk, struct ptp_out *o)
{
    if (a->has_data) put_data(a, transaction, chunk, o);
    packet_head(o, 6 + 4 * (size_t)a->param_count, PTP_IP_RESPONSE);
    put_u16(o, a->code);
    put_u32(o, transaction);
    for (int i = 0; i < a->param_count; i++)
        put_u32(o, a->param[i]);
}

/* ---- sockets ---- */

static void hang_up(struct ptp_ip *ip)
{
    if (ip->command >= 0) close(ip->command);
    if (ip->event >= 0) close(ip->event);
    ip->command = ip->event = -1;
    ip->camera.session = false;
    ip->data_follows = false;
    put_free(&ip->incoming);
}

static bool send_all(int fd, const uint8_t *bytes, size_t count)
{
    while (count) {
        const ssize_t n = send(fd, bytes, count, MSG_NOSIGNAL);
        if (n <= 0) return false;
        bytes += n;
        count -= (size_t)n;
    }
    return true;
}

static bool receive_all(int fd, uint8_t *bytes, size_t count)
{
    while (count) {
        const ssize_t n = recv(fd, bytes, count, 0);
        setsockopt(fd, IPPROTO_TCP, TCP_QUICKACK, &(int){1},
                   sizeof(int)); /* else each order waits for 40 ms */
        if (n <= 0) return false;
        bytes += n;
        count -= (size_t)n;
    }
    return true;
}

/* One packet; its body is to be freed. NULL: the link is down. */
static uint8_t *receive_packet(int fd, uint32_t *type_out, size_t *count_out)
{
    uint8_t head[8];
    if (!receive_all(fd, head, sizeof head)) return NULL;
    struct ptp_in in = {head, sizeof head, false};
    const uint32_t length = get_u32(&in);
    *type_out = get_u32(&in);
    if (length < 8 || length > PACKET_MOST) return NULL;
    uint8_t *body = malloc(length - 8 + 1);
    if (!body || !receive_all(fd, body, length - 8)) {
        free(body);
        return NULL;
    }
    *count_out = length - 8;
    return body;
}

/* Waits, but not for the end of the program. */
static void pause_ms(struct ptp_ip *ip, int ms)
{
    struct pollfd p = {.fd = ip->stop_read, .events = POLLIN};
    pthread_mutex_unlock(&ip->lock);
    poll(&p, 1, ms);
    pthread_mutex_lock(&ip->lock);
}

/* ---- the two connections ---- */

static void acknowledge_command(struct ptp_ip *ip, int fd)
{
    static const char name[] = "emulated camera";
    struct ptp_out o = {0};
    const size_t body = 4 + 16 + 2 * sizeof name + 4;
    hang_up(ip);
    packet_head(&o, body, PTP_IP_INIT_COMMAND_ACK);
    put_u32(&o, ++ip->connection);
    for (int i = 0; i < 16; i++)
        put_u8(&o, (uint8_t)i);
    for (size_t i = 0; i < sizeof name; i++)
        put_u16(&o, (uint8_t)name[i]);
    put_u32(&o, 0x00010000);
    ip->command = fd;
    send_all(fd, o.bytes, o.count);
    put_free(&o);
}

static void acknowledge_event(struct ptp_ip *ip, int fd)
{
    struct ptp_out o = {0};
    packet_head(&o, 0, PTP_IP_INIT_EVENT_ACK);
    ip->event = fd;
    send_all(fd, o.bytes, o.count);
    put_free(&o);
}

static void refuse(int fd)
{
    struct ptp_out o = {0};
    packet_head(&o, 4, PTP_IP_INIT_FAIL);
    put_u32(&o, 1); /* rejected initiator */
    send_all(fd, o.bytes, o.count);
    put_free(&o);
    close(fd);
}

static void welcome(struct ptp_ip *ip)
{
    const int fd = accept(ip->listening, NULL, NULL), on = 1;
    uint32_t type;
    size_t count;
    if (fd < 0) return;
    setsockopt(fd, IPPROTO_TCP, TCP_NODELAY, &on, sizeof on);
    if (ip->unplugged) {
        close(fd);
        return;
    }
    uint8_t *body = receive_packet(fd, &type, &count);
    if (body && ip->refusing)
        refuse(fd);
    else if (body && type == PTP_IP_INIT_COMMAND_REQUEST)
        acknowledge_command(ip, fd);
    else if (body && type == PTP_IP_INIT_EVENT_REQUEST && ip->command >= 0)
        acknowledge_event(ip, fd);
    else
        close(fd);
    free(body);
}

/* ---- operations ---- */

static void go_away(struct ptp_ip *ip)
{
    ip->unplugged = true;
    ip->back_us = now_us() + AWAY_US;
    hang_up(ip);
}

static void answer(struct ptp_ip *ip)
{
    struct ptp_answer a = {0};
    struct ptp_out o = {0};
    bool up = true;
    ptp_camera_do(&ip->camera, &ip->request, now_us(), &a);
    ptp_ip_packets(&a, ip->transaction, CHUNK, &o);
    switch (a.fault) {
    case PTP_WIRE_GOOD:
        up = send_all(ip->command, o.bytes, o.count);
        break;
    case PTP_WIRE_HANG:
        break;
    case PTP_WIRE_DROP:
        up = false;
        break;
    case PTP_WIRE_DROP_HALFWAY:
        send_all(ip->command, o.bytes, o.count / 2);
        up = false;
        break;
    case PTP_WIRE_GAP:
        send_all(ip->command, o.bytes, o.count / 2);
        pause_ms(ip, 3000);
        up = ip->command >= 0 && send_all(ip->command, o.bytes + o.count / 2, o.count - o.count / 2);
        break;
    case PTP_WIRE_DROP_AFTER:
        send_all(ip->command, o.bytes, o.count);
        up = false;
        break;
    case PTP_WIRE_AWAY:
        go_away(ip);
        break;
    case PTP_WIRE_AWAY_AFTER:
        send_all(ip->command, o.bytes, o.count);
        go_away(ip);
        break;
    case PTP_WIRE_AWAY_HALFWAY:
        send_all(ip->command, o.bytes, o.count / 2);
        go_away(ip);
        break;
    case PTP_WIRE_LATE:
        pause_ms(ip, 1000);
        up = ip->command >= 0 && send_all(ip->command, o.bytes, o.count);
        break;
    }
    put_free(&o);
    put_free(&a.data);
    if (!up) hang_up(ip);
}

static void take_request(struct ptp_ip *ip, struct ptp_in *in)
{
    const uint32_t phase = get_u32(in);
    ip->request = (struct ptp_request){.code = get_u16(in)};
    ip->transaction = get_u32(in);
    for (int i = 0; i < PTP_PARAMS && in->left >= 4; i++)
        ip->request.param[i] = get_u32(in);
    ip->data_follows = phase == 2;
    put_free(&ip->incoming);
    if (!ip->data_follows) answer(ip);
}

static void take_data(struct ptp_ip *ip, struct ptp_in *in, bool last)
{
    get_u32(in); /* transaction */
    put_bytes(&ip->incoming, in->at, in->left);
    if (!last || !ip->data_follows) return;
    ip->data_follows = false;
    ip->request.data = ip->incoming.bytes;
    ip->request.data_count = ip->incoming.count;
    answer(ip);
}

static void take_packet(struct ptp_ip *ip)
{
    uint32_t type;
    size_t count;
    uint8_t *body = receive_packet(ip->command, &type, &count);
    if (!body) {
        hang_up(ip);
        return;
    }
    struct ptp_in in = {body, count, false};
    struct ptp_out pong = {0};
    if (type == PTP_IP_REQUEST) take_request(ip, &in);
    if (type == PTP_IP_DATA || type == PTP_IP_END_DATA) take_data(ip, &in, type == PTP_IP_END_DATA);
    if (type == PTP_IP_PING) {
        packet_head(&pong, 0, PTP_IP_PONG);
        send_all(ip->command, pong.bytes, pong.count);
        put_free(&pong);
    }
    free(body);
}

static void send_events(struct ptp_ip *ip)
{
    struct ptp_event e;
    if (ip->camera.opts.family != PTP_GENERIC) return; /* the others are asked */
    while (ip->event >= 0 && ptp_camera_event(&ip->camera, now_us(), &e)) {
        struct ptp_out o = {0};
        packet_head(&o, 18, PTP_IP_EVENT);
        put_u16(&o, e.code);
        put_u32(&o, 0);
        put_u32(&o, e.param);
        put_u32(&o, 0);
        put_u32(&o, 0);
        send_all(ip->event, o.bytes, o.count);
        put_free(&o);
    }
}

static void *serve(void *arg)
{
    struct ptp_ip *ip = arg;
    pthread_mutex_lock(&ip->lock);
    for (;;) {
        struct pollfd p[3] = {{.fd = ip->stop_read, .events = POLLIN},
                              {.fd = ip->listening, .events = POLLIN},
                              {.fd = ip->command, .events = POLLIN}};
        pthread_mutex_unlock(&ip->lock);
        poll(p, 3, TICK_MS);
        pthread_mutex_lock(&ip->lock);
        if (p[0].revents) break;
        if (ip->back_us && now_us() >= ip->back_us) ip->back_us = ip->unplugged = 0;
        if (p[1].revents) welcome(ip);
        if (p[2].revents && ip->command == p[2].fd) take_packet(ip);
        send_events(ip);
    }
    hang_up(ip);
    pthread_mutex_unlock(&ip->lock);
    return NULL;
}

/* ---- from outside ---- */

struct ptp_ip *ptp_ip_start(const struct ptp_camera_opts *opts)
{
    struct ptp_ip *ip = calloc(1, sizeof *ip);
    struct sockaddr_in at = {.sin_family = AF_INET, .sin_addr.s_addr = htonl(INADDR_LOOPBACK)};
    socklen_t size = sizeof at;
    int ends[2];
    if (!ip || pipe(ends)) abort();
    ip->stop_read = ends[0];
    ip->stop_write = ends[1];
    ip->command = ip->event = -1;
    ip->listening = socket(AF_INET, SOCK_STREAM | SOCK_CLOEXEC, 0);
    ptp_camera_init(&ip->camera, opts);
    pthread_mutex_init(&ip->lock, NULL);
    if (ip->listening < 0 || bind(ip->listening, (struct sockaddr *)&at, size) || listen(ip->listening, 4) ||
        getsockname(ip->listening, (struct sockaddr *)&at, &size) ||
        pthread_create(&ip->thread, NULL, serve, ip))
        abort();
    ip->port = ntohs(at.sin_port);
    return ip;
}

void ptp_ip_stop(struct ptp_ip *ip)
{
    if (write(ip->stop_write, "", 1) != 1) abort();
    pthread_join(ip->thread, NULL);
    close(ip->stop_read);
    close(ip->stop_write);
    close(ip->listening);
    ptp_camera_clear(&ip->camera);
    pthread_mutex_destroy(&ip->lock);
    free(ip);
}

int ptp_ip_port(const struct ptp_ip *ip)
{
    return ip->port;
}

void ptp_ip_unplug(struct ptp_ip *ip)
{
    pthread_mutex_lock(&ip->lock);
    ip->unplugged = true;
    hang_up(ip);
    pthread_mutex_unlock(&ip->lock);
}

void ptp_ip_plug(struct ptp_ip *ip)
{
    pthread_mutex_lock(&ip->lock);
    ip->unplugged = false;
    pthread_mutex_unlock(&ip->lock);
}

void ptp_ip_refuse(struct ptp_ip *ip, bool on)
{
    pthread_mutex_lock(&ip->lock);
    ip->refusing = on;
    pthread_mutex_unlock(&ip->lock);
}

struct ptp_camera *ptp_ip_lock(struct ptp_ip *ip)
{
    pthread_mutex_lock(&ip->lock);
    return &ip->camera;
}

void ptp_ip_unlock(struct ptp_ip *ip)
{
    pthread_mutex_unlock(&ip->lock);
}
