// Makes the sample shoot: make_sample_inputs FOLDER [QUALITY [FIRST LAST]]
// Writes FOLDER/scene.json and FOLDER/frames/*.jpg; FIRST and LAST limit the frames (from 1).
#include <atomic>
#include <cstdio>
#include <cstdlib>
#include <exception>
#include <filesystem>
#include <string_view>

#include "base/file_io.hpp"
#include "base/parallel.hpp"
#include "support/sample_frames.hpp"

int main(int argc, char** argv) {
    using namespace broadloom;
    if (argc < 2 || argc == 4 || argc > 5) {
        std::fprintf(stderr, "usage: make_sample_inputs FOLDER [QUALITY [FIRST LAST]]\n");
        return 2;
    }
    try {
        const std::filesystem::path folder = argv[1];
        const int quality = argc > 2 ? std::atoi(argv[2]) : 92;
        std::filesystem::create_directories(folder / "frames");
        const Scene scene = test::sample_scene();
        const size_t count = scene.frames.size();
        const size_t first = argc > 3 ? static_cast<size_t>(std::atoi(argv[3])) - 1 : 0;
        const size_t last =
            argc > 3 ? std::min(count, static_cast<size_t>(std::atoi(argv[4]))) : count;
        const test::ProceduralWorld world;
        const test::ProceduralWorld lorry = test::world_with_lorry();
        const auto takes = test::sample_takes();
        std::atomic<size_t> next{first};
        std::atomic<size_t> bytes{0};
        run_workers(processor_count(), [&](int) {
            for (size_t i = next++; i < last; i = next++) {
                const auto jpeg =
                    test::make_frame(takes[i].spoilt ? lorry : world, scene, i, quality);
                write_file_atomic(folder / scene.frames[i].file,
                                  {reinterpret_cast<const char*>(jpeg.data()), jpeg.size()});
                bytes += jpeg.size();
            }
        });
        write_scene(scene, folder / "scene.json");
        std::fprintf(stderr, "%zu frames, %.2f MiB\n", last - first,
                     static_cast<double>(bytes.load()) / 1048576);
    } catch (const std::exception& e) {
        std::fprintf(stderr, "make_sample_inputs: %s\n", e.what());
        return 1;
    }
    return 0;
}
