#include "device/axis.h"

static int cannot(const struct axis *ax, struct err *why, const char *what)
{
    return fail(why, E_UNSUPPORTED, "%s cannot %s", ax->ops->name, what);
}

int axis_move_to(struct axis *ax, int64_t target_counts, struct err *why)
{
    return ax->ops->move_to(ax, target_counts, why);
}

int axis_poll(struct axis *ax, struct axis_state *out, struct err *why)
{
    return ax->ops->poll(ax, out, why);
}

int axis_halt(struct axis *ax, struct err *why)
{
    return ax->ops->halt(ax, why);
}

int axis_clear(struct axis *ax, struct err *why)
{
    return ax->ops->clear(ax, why);
}

int axis_home(struct axis *ax, struct err *why)
{
    if (!ax->ops->home) return cannot(ax, why, "find its own zero");
    return ax->ops->home(ax, why);
}

int axis_limits(struct axis *ax, int64_t lo_counts, int64_t hi_counts, struct err *why)
{
    if (!ax->ops->limits) return cannot(ax, why, "keep limits");
    if (lo_counts > hi_counts)
        return fail(why, E_INPUT,
                    "limits from %lld to %lld counts hold nothing; the first must not be above the second",
                    (long long)lo_counts, (long long)hi_counts);
    return ax->ops->limits(ax, lo_counts, hi_counts, why);
}

int axis_jog(struct axis *ax, int64_t distance_counts, struct err *why)
{
    if (!ax->ops->jog) return cannot(ax, why, "move by a distance");
    return ax->ops->jog(ax, distance_counts, why);
}

int axis_here(struct axis *ax, int64_t position_counts, struct err *why)
{
    if (!ax->ops->here) return cannot(ax, why, "be told where it stands");
    return ax->ops->here(ax, position_counts, why);
}

static int check_shape(const struct axis_slot *slots, int count, struct err *why)
{
    int64_t sum = 0;
    if (count < 1 || count > AXIS_SLOTS_MOST)
        return fail(why, E_INPUT, "a shape of %d slots; it has 1 to %d", count, AXIS_SLOTS_MOST);
    for (int i = 0; i < count; i++) {
        if (slots[i].us < 1 || slots[i].share < 0 || slots[i].share > 65536)
            return fail(why, E_INPUT,
                        "slot %d of the shape lasts %lld us with share %d; it needs time, and 0 to 65536", i,
                        (long long)slots[i].us, (int)slots[i].share);
        sum += slots[i].share;
    }
    if (sum != 65536)
        return fail(why, E_INPUT, "the shares of the shape add up to %lld; they must add up to 65536",
                    (long long)sum);
    return E_OK;
}

int axis_shape(struct axis *ax, const struct axis_slot *slots, int count, struct err *why)
{
    if (!ax->ops->shape) return cannot(ax, why, "move by a shape");
    int rc = check_shape(slots, count, why);
    return rc ? rc : ax->ops->shape(ax, slots, count, why);
}

int axis_move_shaped(struct axis *ax, int64_t target_counts, struct err *why)
{
    if (!ax->ops->move_shaped) return cannot(ax, why, "move by a shape");
    return ax->ops->move_shaped(ax, target_counts, why);
}

int axis_hold(struct axis *ax, enum axis_hold level, struct err *why)
{
    if (!ax->ops->hold) return cannot(ax, why, "change its holding current");
    return ax->ops->hold(ax, level, why);
}

int axis_again(struct axis *ax, struct err *why)
{
    if (!ax->ops->again) return cannot(ax, why, "be reached again");
    return ax->ops->again(ax, why);
}

int axis_drop(struct axis *ax, struct err *why)
{
    if (!ax->ops->drop) return cannot(ax, why, "release outputs");
    return ax->ops->drop(ax, why);
}

int axis_key(struct axis *ax, enum axis_key_do what, int key, int32_t value, struct err *why)
{
    if (!ax->ops->key) return cannot(ax, why, "keep parameters");
    return ax->ops->key(ax, what, key, value, why);
}

struct axis_key_state axis_key_look(const struct axis *ax)
{
    struct axis_key_state out = {0};
    if (ax->ops->key_look) ax->ops->key_look(ax, &out);
    return out;
}

int axis_fire(struct axis *ax, int32_t half_ms, int32_t open_ms, struct err *why)
{
    if (!ax->ops->fire) return cannot(ax, why, "close a camera's shutter contacts");
    if (half_ms < 0 || open_ms < 1)
        return fail(why, E_INPUT, "%s: shutter contacts of %d and %d ms; the first may be 0, the second not",
                    ax->ops->name, (int)half_ms, (int)open_ms);
    return ax->ops->fire(ax, half_ms, open_ms, why);
}

int axis_order(struct axis *ax, int32_t order, struct err *why)
{
    if (!ax->ops->order) return cannot(ax, why, "be driven by single orders");
    return ax->ops->order(ax, order, why);
}

int axis_worth(struct axis *ax, int32_t size, int32_t counts, int32_t doubt_counts, struct err *why)
{
    if (!ax->ops->worth) return cannot(ax, why, "be driven by sizes");
    return ax->ops->worth(ax, size, counts, doubt_counts, why);
}

void axis_close(struct axis *ax)
{
    if (ax) ax->ops->close(ax);
}

const char *axis_phase_text(enum axis_phase phase)
{
    static const char *const TEXT[] = {
        [AXIS_STARTING] = "starting", [AXIS_REST] = "at rest",
        [AXIS_MOVING] = "moving",     [AXIS_FINDING] = "finding its zero",
        [AXIS_STOPPED] = "stopped",   [AXIS_ALARM] = "in alarm",
        [AXIS_GONE] = "gone",
    };
    return TEXT[phase];
}
