# The program from its command line: messages, outputs, equal bytes, memory; and the benchmark.
add_library(bl_process STATIC support/process.cpp)
target_include_directories(bl_process PUBLIC ${PROJECT_SOURCE_DIR}/tests)
add_executable(measured_run support/measured_run.cpp)
target_link_libraries(measured_run PRIVATE bl_process)
add_executable(spread_shoot support/spread_shoot.cpp)
target_link_libraries(spread_shoot PRIVATE bl_scene)
