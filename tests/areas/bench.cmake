# Measurements, not tests: scripts/bench.sh runs them. The short version is a test that nothing is
# missing in what it tells.
add_library(bl_bench_shoot STATIC support/repeating_world.cpp)
target_link_libraries(bl_bench_shoot PUBLIC bl_card_shoot)
add_executable(make_bench_shoot bench/make_bench_shoot.cpp)
target_link_libraries(make_bench_shoot PRIVATE bl_bench_shoot)
