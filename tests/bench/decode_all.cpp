// Seconds that decoding each JPEG file once at full size takes, by TurboJPEG to RGBX on all
// processors: decode_all FILE...
#include <turbojpeg.h>

#include <cstdio>
#include <exception>
#include <stdexcept>
#include <string>
#include <vector>

#include "base/file_io.hpp"
#include "base/parallel.hpp"
#include "base/stopwatch.hpp"

int main(int argc, char** argv) {
    using namespace broadloom;
    const std::vector<std::string> files(argv + 1, argv + argc);
    if (files.empty()) {
        std::fprintf(stderr, "usage: decode_all FILE...\n");
        return 2;
    }
    try {
        const int threads = processor_count();
        std::vector<std::vector<unsigned char>> pixels(static_cast<size_t>(threads));
        std::vector<tjhandle> handles;
        for (int i = 0; i < threads; ++i) handles.push_back(tjInitDecompress());
        const double start = monotonic_seconds();
        for_each_index(files.size(), threads, [&](size_t i, int worker) {
            const std::string bytes = read_file_limited(files[i], size_t{1} << 30U);
            const auto* data = reinterpret_cast<const unsigned char*>(bytes.data());
            tjhandle handle = handles[static_cast<size_t>(worker)];
            auto& to = pixels[static_cast<size_t>(worker)];
            int width = 0;
            int height = 0;
            int subsampling = 0;
            int space = 0;
            if (tjDecompressHeader3(handle, data, bytes.size(), &width, &height, &subsampling,
                                    &space) != 0) {
                throw std::runtime_error(files[i] + ": " + tjGetErrorStr2(handle));
            }
            to.resize(static_cast<size_t>(width) * static_cast<size_t>(height) * 4);
            if (tjDecompress2(handle, data, bytes.size(), to.data(), width, 0, height, TJPF_RGBX,
                              0) != 0) {
                throw std::runtime_error(files[i] + ": " + tjGetErrorStr2(handle));
            }
        });
        std::printf("%.3f\n", monotonic_seconds() - start);
        for (tjhandle handle : handles) tjDestroy(handle);
    } catch (const std::exception& e) {
        std::fprintf(stderr, "decode_all: %s\n", e.what());
        return 1;
    }
    return 0;
}
