#include "tests/peer/opencv_frame.h"

#include <sys/mman.h>
#include <vector>

#include <opencv2/imgcodecs.hpp>
#include <opencv2/imgproc.hpp>

namespace
{

const int tile_px = 64, reduce = 4;
const size_t huge = 2u << 20;

/* A matrix in memory of its own that asks for huge pages. */
struct kept {
    void *memory = nullptr;
    size_t room = 0;
    cv::Mat mat;

    cv::Mat &sized(int rows, int cols, int type)
    {
        const size_t need = (size_t)rows * (size_t)cols * CV_ELEM_SIZE(type);
        if (need > room) {
            drop();
            room = (need + huge - 1) / huge * huge;
            memory = std::aligned_alloc(huge, room);
            madvise(memory, room, MADV_HUGEPAGE);
        }
        if (mat.empty() || mat.rows != rows || mat.cols != cols || mat.type() != type)
            mat = cv::Mat(rows, cols, type, memory);
        return mat;
    }
    void drop()
    {
        mat.release();
        std::free(memory);
        memory = nullptr;
        room = 0;
    }
    ~kept()
    {
        drop();
    }
};

double tiles_variance(const cv::Mat &laplacian)
{
    double sum = 0;
    int count = 0;
    for (int y = 0; y + tile_px <= laplacian.rows; y += tile_px)
        for (int x = 0; x + tile_px <= laplacian.cols; x += tile_px, count++) {
            cv::Scalar mean, deviation;
            cv::meanStdDev(laplacian(cv::Rect(x, y, tile_px, tile_px)), mean, deviation);
            sum += deviation[0] * deviation[0];
        }
    return count ? sum / count : 0;
}

} // namespace

struct peer {
    kept gray, laplacian, small, now, before, window;
};

struct peer *peer_new(void)
{
    return new peer;
}

void peer_free(struct peer *p)
{
    delete p;
}

void peer_threads(int count)
{
    cv::setNumThreads(count);
}

static const cv::Mat &decode(struct peer *p, const uint8_t *jpeg, size_t count)
{
    const cv::Mat file(1, (int)count, CV_8U, const_cast<uint8_t *>(jpeg));
    cv::Mat &gray = p->gray.mat;
    if (gray.empty()) { /* the size is not known yet: once into memory of its own */
        const cv::Mat first = cv::imdecode(file, cv::IMREAD_GRAYSCALE);
        p->gray.sized(first.rows, first.cols, CV_8U);
    }
    return cv::imdecode(file, cv::IMREAD_GRAYSCALE, &gray), gray;
}

void peer_decode(struct peer *p, const uint8_t *jpeg, size_t count)
{
    decode(p, jpeg, count);
}

struct peer_result peer_frame(struct peer *p, const uint8_t *jpeg, size_t count)
{
    const cv::Mat &gray = decode(p, jpeg, count);
    cv::Mat &laplacian = p->laplacian.sized(gray.rows, gray.cols, CV_16S);
    cv::Laplacian(gray, laplacian, CV_16S);
    struct peer_result out = {tiles_variance(laplacian), 0, 0};
    const int rows = gray.rows / reduce, cols = gray.cols / reduce;
    const bool first = p->now.mat.empty();
    cv::Mat &small = p->small.sized(rows, cols, CV_8U);
    cv::resize(gray, small, small.size(), 0, 0, cv::INTER_AREA);
    if (first) cv::createHanningWindow(p->window.sized(rows, cols, CV_32F), small.size(), CV_32F);
    p->before.sized(rows, cols, CV_32F);
    std::swap(p->now.mat, p->before.mat);
    std::swap(p->now.memory, p->before.memory);
    std::swap(p->now.room, p->before.room);
    small.convertTo(p->now.sized(rows, cols, CV_32F), CV_32F);
    if (first) return out;
    const cv::Point2d shift = cv::phaseCorrelate(p->before.mat, p->now.mat, p->window.mat);
    out.dx_px = shift.x * reduce;
    out.dy_px = shift.y * reduce;
    return out;
}

static cv::Mat quarter(const cv::Mat &gray)
{
    cv::Mat small, real;
    cv::resize(gray, small, cv::Size(), 1.0 / reduce, 1.0 / reduce, cv::INTER_AREA);
    small.convertTo(real, CV_64F);
    return real;
}

struct peer_result peer_frame_plain(const uint8_t *jpeg, size_t count, const uint8_t *before,
                                    size_t before_count)
{
    const std::vector<uint8_t> file(jpeg, jpeg + count), file_before(before, before + before_count);
    const cv::Mat gray = cv::imdecode(file, cv::IMREAD_GRAYSCALE);
    const cv::Mat gray_before = cv::imdecode(file_before, cv::IMREAD_GRAYSCALE);
    cv::Mat laplacian;
    cv::Laplacian(gray, laplacian, CV_64F);
    struct peer_result out = {tiles_variance(laplacian), 0, 0};
    const cv::Point2d shift = cv::phaseCorrelate(quarter(gray_before), quarter(gray));
    out.dx_px = shift.x * reduce;
    out.dy_px = shift.y * reduce;
    return out;
}
