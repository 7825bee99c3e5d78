# Seams: ownership of the coarse canvas, and the labels of other canvases from it.
add_library(bl_moving_scene STATIC support/moving_scene.cpp)
target_include_directories(bl_moving_scene PUBLIC ${PROJECT_SOURCE_DIR}/tests)
target_link_libraries(bl_moving_scene PUBLIC bl_settle)

broadloom_test(seam_solver_test unit/seam_solver_test.cpp LINK bl_moving_scene)
