// Says how far a solved scene lies from the exact one: compare_scenes TRUTH SOLVED
#include <cstdio>
#include <exception>

#include "support/scene_truth.hpp"

int main(int argc, char** argv) {
    using namespace broadloom;
    if (argc != 3) {
        std::fprintf(stderr, "usage: compare_scenes TRUTH SOLVED\n");
        return 2;
    }
    try {
        const Scene truth = read_scene(argv[1], SceneNeeds::orientations);
        const Scene solved = read_scene(argv[2], SceneNeeds::orientations);
        std::fputs(test::truth_text(test::compare_with_truth(truth, solved)).c_str(), stdout);
    } catch (const std::exception& e) {
        std::fprintf(stderr, "compare_scenes: %s\n", e.what());
        return 1;
    }
    return 0;
}
